"""What a unit was at birth beside what it is now: like with like, the newest, and never another pack's."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import polars as pl
import pytest

from herdbook.pipeline.bench.acceptance.birth import BirthFigure
from herdbook.pipeline.bench.acceptance.since_birth import since_birth

T0 = datetime(2026, 3, 1, 8, 0)


def birth(figure: str, item: str, value: float, unit: str = "mOhm", se: float | None = 0.05) -> BirthFigure:
    return BirthFigure(
        vehicle="a",
        figure=figure,
        item=item,
        value=value,
        unit=unit,
        se=se,
        n=9,
        step="ride",
        from_t=T0,
        to_t=T0 + timedelta(minutes=5),
        day=date(2026, 3, 1),
        line="L1",
        who="bench 2",
        verdict="passed",
        plan="p",
        plan_version="1",
        profile="toy",
        pack="P1",
        controller="C1",
        logs=("x",),
        acceptance="t",
        entered_t=T0,
    )


def rows(day: int, kind: str, **values: tuple[float, float]) -> list[dict[str, object]]:
    """Metrics of a session so many days after T0, by name; "name__item" for one of an item."""
    out = []
    for name, (value, se) in values.items():
        metric, _, item = name.partition("__")
        about = {"start_t": T0 + timedelta(days=day), "kind": kind, "name": metric, "item": item}
        out.append(about | {"value": value, "unit": "?", "se": se, "n": 9, "coverage": 1.0})
    return out


def resistance(day: int, own: float) -> list[dict[str, object]]:
    """Group 7 has so many times the median group's resistance, which is 2.0 then and at 25 degC."""
    middle = (2.0, 0.02)
    return rows(
        day, "ride", cell_dcr_10s_mohm__7=(2.0 * own, 0.04), group_dcr_10s_mohm=middle, group_dcr_10s_25c_mohm=middle
    )


def table(*some: list[dict[str, object]]) -> tuple[pl.DataFrame, list[datetime]]:
    frame = pl.DataFrame([row for part in some for row in part])
    return frame, frame["start_t"].unique().to_list()


def test_resistance_of_group_7_at_birth_and_now() -> None:
    metrics, starts = table(resistance(0, 1.05), resistance(30, 1.2), resistance(60, 1.45))
    [found] = since_birth([birth("resistance_10s", "7", 2.1)], metrics, starts, "P1")
    assert found.words == "resistance of group 7, 10 s after a step, at 25 °C"
    assert found.now is not None
    assert found.now.value == pytest.approx(2.9)
    assert found.when == T0 + timedelta(days=60)
    assert found.change == pytest.approx(0.8)
    assert found.change_se == pytest.approx((0.05**2 + 0.04**2) ** 0.5, rel=0.1)
    assert found.beyond_errors


def test_a_change_within_errors_is_none() -> None:
    metrics, starts = table(resistance(60, 1.06))
    [found] = since_birth([birth("resistance_10s", "7", 2.1)], metrics, starts, "P1")
    assert not found.beyond_errors


def test_the_test_itself_is_no_later_life() -> None:
    metrics, starts = table(resistance(0, 1.45))
    [found] = since_birth([birth("resistance_10s", "7", 2.1)], metrics, starts, "P1")
    assert (found.now, found.change) == (None, None)


def test_a_session_that_does_not_count_is_left_out() -> None:
    """As of a date: what came in later was not known then."""
    metrics, _ = table(resistance(30, 1.2), resistance(60, 1.45))
    [found] = since_birth([birth("resistance_10s", "7", 2.1)], metrics, [T0 + timedelta(days=30)], "P1")
    assert found.now is not None
    assert found.now.value == pytest.approx(2.4)


def test_another_pack_is_not_compared() -> None:
    metrics, starts = table(resistance(60, 1.45), rows(61, "ride", brake_response_s=(0.09, 0.001)))
    births = [birth("resistance_10s", "7", 2.1), birth("brake_response", "", 0.08, "s", 0.001)]
    pack, brake = since_birth(births, metrics, starts, "P2")
    assert (pack.other_pack, pack.change) == ("P2", None)
    assert (brake.other_pack, brake.beyond_errors) == ("", True)  # the brake is the unit's own


def test_a_balance_is_shown_and_not_compared() -> None:
    """Near full the curve is steep: a little more charge is a larger spread of the very same groups."""
    metrics, starts = table(rows(60, "charge", spread_full_mv=(139.0, 0.4)))
    [found] = since_birth([birth("balance_full", "", 86.0, "mV", 0.5)], metrics, starts, "P1")
    assert found.now is not None
    assert found.change is None
    assert found.not_compared == "differs with how full the pack was"


def test_nothing_at_birth_nothing_now() -> None:
    metrics, starts = table(resistance(60, 1.45))
    assert since_birth([], metrics, starts, "P1") == []
