"""A vehicle's heat as a multiple of the fleet's, by hand; and the finding of a part that got too hot."""

from __future__ import annotations

import polars as pl
import pytest

from herdbook.pipeline.health.examples import days, fleet, one_session, record
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.reference import OWN_RESISTANCE, PER_MOHM
from herdbook.pipeline.health.rules._heat_against_fleet import multiple, too_hot
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import Metric

NAME = "pack_heat_ratio"
LIMITS = {"largest_se": 0.3, "days": 30.0, "sessions": 3.0}
RATIOS = (1.5, 1.56, 1.44, 1.5)
RIDES = [one_session(d, "ride", Metric(NAME, r, "1", 0.05, 100)) for d, r in enumerate(RATIOS)]
KNOWN = fleet((NAME, 1.2, 0.12, "1"))


def test_the_ratio_over_the_fleets() -> None:
    found = multiple(record(*RIDES, reference=KNOWN), NAME, "", LIMITS, fitted=False)
    assert found is not None
    assert found.value == pytest.approx(1.5 / 1.2)
    assert found.spread == pytest.approx(0.1)
    assert found.vehicles == 50
    assert found.rows["multiple"].to_list() == pytest.approx([r / 1.2 for r in RATIOS])
    own = pool(found.rows["multiple"].to_numpy(), found.rows["se_multiple"].to_numpy())[1]
    assert found.se == pytest.approx((own**2 + 0.02**2) ** 0.5)


def test_without_a_fleet_the_models_own_figures_speak_of_rides_alone() -> None:
    found = multiple(record(*RIDES), NAME, "", LIMITS, fitted=True)
    assert found is not None
    assert found.value == pytest.approx(1.5)
    assert (found.spread, found.vehicles) == (0.25, 0)
    assert multiple(record(*RIDES), NAME, "", LIMITS, fitted=False) is None
    charges = days(5, "charge", Metric(NAME, 1.5, "1", 0.05, 100))
    assert multiple(record(*charges), NAME, "", LIMITS, fitted=True) is None


def test_what_own_resistance_explains_is_taken_out() -> None:
    """A fleet makes 0.6 per milliohm; this pack has 2.5 mOhm: 1.5 is what it should make."""
    per_own = fleet((PER_MOHM, 0.6, 0.03, "1/mOhm")).with_columns(item=pl.lit("ride"))
    aged = [one_session(s.day, "ride", *s.parts, Metric(OWN_RESISTANCE, 2.5, "mOhm", 0.1, 9)) for s in RIDES]
    found = multiple(record(*aged, reference=pl.concat([KNOWN, per_own])), NAME, "", LIMITS, fitted=False)
    assert found is not None
    assert found.value == pytest.approx(1.0)
    assert found.spread == pytest.approx(0.05)


@pytest.mark.parametrize(
    "rides",
    [
        RIDES[:2],  # too few
        days(4, "ride", Metric(NAME, 1.5, "1", 0.46, 100)),  # too uncertain: over 0.3 of the value
        [*RIDES[:2], *days(2, "ride", Metric(NAME, 1.5, "1", 0.05, 100), first=40.0)],  # two of them in thirty days
    ],
)
def test_too_little_is_no_multiple(rides: list[object]) -> None:
    assert multiple(record(*rides, reference=KNOWN), NAME, "", LIMITS, fitted=False) is None  # type: ignore[arg-type]


def test_a_part_that_passed_its_limit_in_two_rides() -> None:
    rec = record(*(one_session(d, "ride", Metric("hot_c", t, "degC")) for d, t in enumerate((70.0, 91.0, 95.0, 90.0))))
    rows = metric_rows(rec, "hot_c")
    found = too_hot("left", "winding", rows, 90.0, ("motor_temp",))
    assert found is not None
    assert (found.severity, found.item, found.measured, found.limit) == (Severity.SERVICE, "left", 95.0, 90.0)
    assert (found.count, found.persistence, found.duration_s) == (2, 0.5, 7200.0)
    assert found.statement == "The left winding passed 90 °C in 2 of 4 rides, 95 °C at most."
    assert found.windows[0].start == rows["start_t"].to_physical().to_list()[2]
    assert too_hot("left", "winding", rows, 92.0, ("motor_temp",)) is None
