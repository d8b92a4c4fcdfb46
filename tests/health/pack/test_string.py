"""Groups weighed over the whole record: what an over-discharged pack shows says nothing about its balance."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import ExampleSession, one_session, record
from herdbook.pipeline.health.pack.string import StringFit, string_fit
from herdbook.pipeline.health.rules import _string_words
from herdbook.pipeline.science.string_fit import Why
from herdbook.pipeline.times import HOUR
from herdbook.pipeline.vehicle.chemistry import ocv_of
from herdbook.pipeline.vehicle.record import Event

GROUPS = 12


def levels(day: float, first_pct: float, last_pct: float, high_mv: float = 0.0) -> ExampleSession:
    """A charge of a level pack from first to last per cent; group 7 stands high_mv above the others."""
    rng = np.random.default_rng(int(10 * day) + 1)
    ocv = ocv_of(record().profile.pack)
    assert ocv is not None
    events = []
    for k, pct in enumerate(np.linspace(first_pct, last_pct, 8)):
        volts = float(np.interp(pct, ocv.soc_pct, ocv.middle_v)) + 0.1 * min(pct, 0.0)
        data = {"run_ah": -0.3 * (pct - first_pct), "current_a": -5.0, "median_v": volts, "load_known": 0.0}
        data |= {"se_mv": 2.0, "soc_pct": max(float(pct), 0.0)}
        data |= {f"d{i}": float(rng.normal(0.0, 1.0)) for i in range(1, GROUPS + 1)}
        data["d7"] += high_mv
        at = k * HOUR // 8
        events.append(Event("group_levels", at, at + HOUR // 10, "charge", data))
    return one_session(day, "charge", *events)


def test_a_pack_emptied_under_its_curve_has_no_group_out_of_balance() -> None:
    """Below empty a per cent is a tenth of a volt: 100 mV between groups of a dead pack are no charge to speak of."""
    usual = [levels(day, 30.0, 80.0) for day in range(5)]
    assert not string_fit(record(*usual, levels(6, -12.0, -1.0, high_mv=100.0))).groups


def test_a_group_that_stands_off_in_range_is_still_found() -> None:
    usual = [levels(day, 30.0, 80.0) for day in range(3)]
    found = string_fit(record(*usual, *(levels(day, 5.0, 30.0, high_mv=60.0) for day in (4, 5, 6)))).groups
    assert set(found) == {"7"}


def test_what_one_odd_session_shows_is_not_told_again() -> None:
    """Off in each of six charges from low, every second one alone tells it; off in one, half of them do not."""
    usual = [levels(day, 30.0, 80.0) for day in range(6)]
    assert "7" in string_fit(record(*usual, *(levels(6 + k, 5.0, 30.0, high_mv=60.0) for k in range(6)))).again
    odd = [levels(day, 5.0, 30.0) for day in range(5)]
    once = string_fit(record(*odd, levels(6, 5.0, 30.0, high_mv=60.0)))
    assert "7" in once.groups
    assert "7" not in once.again


@pytest.mark.parametrize(("open_to", "against"), [({}, True), ({"7": -0.03}, False)])
def test_a_record_that_is_not_sure_itself_refutes_nothing(
    monkeypatch: pytest.MonkeyPatch, open_to: dict[str, float], against: bool
) -> None:
    """Group 7 was looked at and not told: level for sure, or with a chance left that it stands apart."""
    fit = StringFit({}, frozenset({"7"}), (), 90, 27.0, open=open_to)
    monkeypatch.setattr(StringFit, "could_show", lambda *_: True)
    monkeypatch.setattr(_string_words, "string_fit", lambda _: fit)
    assert _string_words.refuted(record(), "7", Why.CHARGE, 0.04) is against


def test_what_was_deep_a_month_ago_says_nothing_of_a_fault_that_has_come_since() -> None:
    """Charges from 10 to 80 per cent in the first days, from 70 on in the last ones."""
    fit = string_fit(
        record(*(levels(d, 10.0, 80.0) for d in range(3)), *(levels(d, 70.0, 90.0) for d in range(25, 30)))
    )
    assert fit.depth > 0.6
    assert fit.newest(60.0).depth == fit.depth
    assert fit.newest(21.0).depth < 0.3
