"""From signals to findings: each fault of a known string gets its own name, and a sound one gets none."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.examples import one_session, profile, record
from herdbook.pipeline.health.pack.capacity import capacities
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.metrics import measure
from herdbook.pipeline.vehicle.record import Event, Metric, Session

DAYS = (0, 3, 6, 9, 12, 15)


def findings(pack: Any, ride: Any, charge: Any, leak_pct_per_day: float = 0.0, **fault: Any) -> list[tuple[str, str]]:
    """(rule, item) of all findings on cells after six charges and four rides; the leak is of group 4."""
    stretches = []
    for day in DAYS:
        offset = dict(fault.get("offset_ah", {}))
        offset[4] = offset.get(4, 0.0) - leak_pct_per_day / 100 * 30 * day
        string = {**fault, "offset_ah": offset, "seed": day + 1, "noise_v": 0.002}
        runs = [("charge", pack(soc=0.10, **string).run(charge(0.10, to=1.02), 0.5))]
        if day < 12:
            runs.append(("ride", pack(soc=0.7, **string).run(ride(10, seed=day + 2))))
        for k, (kind, signals) in enumerate(runs):
            outcome = measure(Session("x", kind, signals.start, signals.end), signals, profile())
            moved = [
                Event(e.kind, e.start - signals.start, e.end - signals.start, e.item, e.data) for e in outcome.events
            ]
            hours = (signals.end - signals.start) / 3.6e9
            stretches.append(one_session(day + 0.3 * k, kind, *outcome.metrics, *moved, hours=hours))
    verdict = judge(record(*stretches))
    return [(j.rule.id, j.finding.item) for j in verdict.findings if j.rule.subsystem == "cells"]


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ({}, []),
        ({"r_factor": {6: 1.6}}, [("weak_group", "cell 6")]),
        ({"offset_ah": {3: -1.2}}, [("out_of_balance", "cell 3")]),
        ({"offset_ah": {9: -3.0}, "capacity": {9: 0.90}}, [("low_capacity_group", "cell 9")]),
        ({"leak_pct_per_day": 0.4}, [("leaking_group", "cell 4")]),
    ],
    ids=["sound", "weak", "offset", "capacity", "leak"],
)
def test_each_fault_gets_its_own_name(
    fault: dict[str, Any], expected: list[tuple[str, str]], pack: Any, ride: Any, charge: Any
) -> None:
    said = findings(pack, ride, charge, **fault)
    assert [x for x in expected if x in said] == expected, said
    # A leak ends in imbalance and any weak group may dip too low: true consequences, of the same group.
    item = expected[0][1] if expected else ""
    true_as_well = {("group_under_voltage", item), ("out_of_balance", item)} if "leak_pct_per_day" in fault else set()
    assert set(said) <= set(expected) | true_as_well | {("group_under_voltage", item)}, said


def _charge(day: float, coverage: float = 1.0, low: float = 6.0, soc: tuple[float, float] | None = None) -> Any:
    events = (
        Event("charge_anchor", 0, 1_000_000, "low", {"soc_pct": low, "se_pct": 1.0, "run_ah": 0.0}),
        Event(
            "charge_anchor", 3_500_000_000, 3_500_000_000, "full", {"soc_pct": 100.0, "se_pct": 1.0, "run_ah": -28.2}
        ),
    )
    metrics = [Metric("pack_run_ah", -28.2, "Ah", None, 9000, coverage)]
    if soc:
        metrics += [Metric(f"pack_soc_{k}_pct", v, "%", 0.5, 1) for k, v in zip(("start", "end"), soc, strict=True)]
    return one_session(day, "charge", *metrics, *events)


def test_capacity_of_a_chain_and_its_error() -> None:
    """28.2 Ah over 94 % is 30 Ah; two anchors of 1 % give 1.5 % and the sensor's gain 1 % more."""
    found = capacities(record(_charge(0)))
    assert len(found) == 1
    assert found[0].ah == pytest.approx(30.0)
    assert found[0].se == pytest.approx(30.0 * np.sqrt((np.sqrt(2) / 94) ** 2 + 0.01**2), rel=0.02)


def test_a_chain_with_missing_seconds_or_a_plateau_anchor_is_refused() -> None:
    assert capacities(record(_charge(0, coverage=0.95))) == []
    assert capacities(record(_charge(0, low=55.0))) == []


def test_a_chain_across_sessions_needs_a_charge_that_joins_up() -> None:
    def ride(day: float, first: float) -> Any:
        event = Event(
            "charge_anchor", 3_500_000_000, 3_599_000_000, "low", {"soc_pct": 8.0, "se_pct": 1.0, "run_ah": 27.6}
        )
        metrics = [Metric("pack_run_ah", 27.6, "Ah", None, 9000), Metric("pack_soc_start_pct", first, "%", 0.5, 1)]
        return one_session(day, "ride", *metrics, event)

    joined = capacities(record(_charge(0, soc=(6.0, 100.0)), ride(1, 99.5)))
    assert [round(m.ah, 1) for m in joined] == [30.0, 30.0]
    broken = capacities(record(_charge(0, soc=(6.0, 100.0)), ride(1, 80.0)))  # something was ridden unseen
    assert len(broken) == 1


def test_pooling_owns_up_to_scatter_between_sessions() -> None:
    rng = np.random.default_rng(4)
    hits = 0
    for _ in range(300):
        values = 5.0 + rng.normal(0, 1.0, 12)  # sessions differ by 1, each claims 0.1
        value, se = pool(values, np.full(12, 0.1))
        hits += abs(value - 5.0) < 2 * se
    assert hits > 300 * 0.88
