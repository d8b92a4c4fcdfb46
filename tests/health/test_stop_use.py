"""Who must not ride: what was lost under way, how often, and what explains it."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import days, one_session, profile, record
from herdbook.pipeline.health.rule import Finding, Record
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.rules._example_brakings import braked
from herdbook.pipeline.vehicle.record import Event, Metric

SECOND = 1_000_000


def said(rule: str, known: Record) -> list[Finding]:
    found = apply(all_rules()[rule], known)
    assert isinstance(found, list)
    return found


def worst(rule: str, known: Record) -> str:
    (found,) = said(rule, known)
    return str(found.severity)


def opened(count: int, speed: float, beside: str = "") -> Record:
    """A main switch that opens while 30 A flow, a minute apart."""
    data = {"before_a": 30.0, "after_a": 0.0, "fault": 0.0, "speed_ms": speed}
    at = [k * 60 * SECOND for k in range(count)]
    events = [Event("contactor_opened_loaded", t, t + 3 * SECOND, "", data) for t in at]
    events += [Event(beside, t + 2 * SECOND, t + 9 * SECOND, "bit 1", {"duration_s": 7.0}) for t in at if beside]
    return record(one_session(0, "ride", Metric("contactor_opened_loaded", float(count), "1", None, 9000), *events))


@pytest.mark.parametrize(
    ("known", "severity"),
    [
        (opened(1, 4.0), "stop-use"),
        (opened(1, 4.0, beside="bms_fault"), "service"),  # protection that worked, and says so
        (opened(2, 4.0, beside="bms_fault"), "stop-use"),
        (opened(2, 0.0), "service"),  # at a stand
    ],
)
def test_a_main_switch_that_opens(known: Record, severity: str) -> None:
    assert worst("contactor_opened_under_load", known) == severity


def restarted(count: int, speed: float) -> Record:
    data = {"uptime_before_s": 600.0, "voltage_v": 38.0, "speed_ms": speed}
    at = [k * 90 * SECOND for k in range(count)]
    events = [Event("reset", t, t + SECOND, "controller", data) for t in at]
    return record(*days(1, "ride", Metric("controller_watched_h", 0.4, "h", n=7000), *events))


@pytest.mark.parametrize(
    ("known", "severity"),
    [(restarted(2, 5.0), "stop-use"), (restarted(1, 5.0), "service"), (restarted(3, 0.0), "service")],
)
def test_a_controller_that_restarts(known: Record, severity: str) -> None:
    assert worst("controller_resets", known) == severity


@pytest.mark.parametrize(("right_a", "severity"), [(0.5, "stop-use"), (9.0, "service")])
def test_a_side_that_does_not_brake(right_a: float, severity: str) -> None:
    asymmetry = (20.0 - right_a) / (10.0 + 0.5 * right_a)
    each = {"left_a": 20.0, "right_a": right_a, "asymmetry": asymmetry}
    assert worst("regen_one_sided", braked(*[each] * 20)) == severity


def over_the_limit(faults: int, dropouts: int = 0, limit_v: float | None = 55.0) -> Record:
    """Six of fifteen brakings take the link to 60 V; in some of these a fault begins, or the brake lets go."""
    high = {"link_over_s": 0.5, "link_v_max": 60.0}
    rows = [high | {"dropout_s": 0.4}] * dropouts + [high] * (6 - dropouts) + [{"link_over_s": 0.0}] * 9
    known = replace(braked(*rows), profile=profile(drive={} if limit_v is None else {"dc_link_max_v": limit_v}))
    begins = known.events.filter(pl.col("kind") == "braking").sort("start_t").head(faults)
    return replace(
        known, events=pl.concat([known.events, begins.with_columns(kind=pl.lit("fault_bits"), item=pl.lit("left"))])
    )


@pytest.mark.parametrize(
    ("known", "severity"),
    [
        (over_the_limit(faults=3), "stop-use"),
        (over_the_limit(faults=0, dropouts=2), "stop-use"),
        (over_the_limit(faults=1), "service"),  # one may be chance
        (over_the_limit(faults=0), "service"),
        (over_the_limit(faults=3, limit_v=None), "service"),  # past a limit that nobody named
    ],
)
def test_a_link_that_braking_takes_past_its_limit(known: Record, severity: str) -> None:
    assert worst("braking_over_voltage", known) == severity


def sensors(*shares: tuple[float, float]) -> Record:
    """Two cell sensors: how much of their time at an end of their range, and without a value."""
    parts: list[Metric] = []
    for k, (rail, missing) in enumerate(shares, start=1):
        parts.append(Metric("temp_rail_share", rail, "1", 0.1, 100, item=f"cell {k}"))
        parts.append(Metric("temp_missing_share", missing, "1", 0.1, 100, item=f"cell {k}"))
    return record(*days(4, "ride", *parts))


def test_a_pack_without_any_temperature_is_not_to_be_used() -> None:
    assert [str(f.severity) for f in said("temp_sensor_fault", sensors((1.0, 0.0), (0.0, 0.0)))] == ["service"]
    both = said("temp_sensor_fault", sensors((1.0, 0.0), (0.0, 1.0)))
    assert [str(f.severity) for f in both] == ["stop-use", "stop-use"]
    assert all("nothing would notice" in f.statement for f in both)
    assert [str(f.severity) for f in said("temp_sensor_fault", sensors((1.0, 0.0)))] == ["stop-use"]


def test_how_far_the_link_would_go_has_an_error_that_its_certainty_follows() -> None:
    """Brakings of 6 A that raise the link by 0.12 ohm, scattered by a fifth: with 50 A, 6 V over 12 groups at 3.4 V."""
    rows = [
        {"delivered_a": 6.0, "demand_a": 6.0, "link_rise_v": 0.8 + 0.72 * part, "link_idle_v": 0.8, "link_over_s": 0.0}
        for part in (0.8, 0.9, 1.0, 1.1, 1.2, 0.85, 1.15, 1.0)
    ]
    drive = {"regen_max_a": 50.0, "dc_link_max_v": 45.0, "regen_cell_full_v": 3.4}
    (found,) = said("braking_over_voltage", replace(braked(*rows), profile=profile(drive=drive)))
    assert found.measured == pytest.approx(12 * 3.4 + 6.0, abs=0.3)
    assert found.limit == 45.0
    assert found.se is not None
    assert 0.3 < found.se < 1.5
    assert "±" in found.statement.split("would reach")[1]
