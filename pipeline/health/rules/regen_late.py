"""The electric brake comes, but late.

Delay from the demand to the delivered current at half height, braking by braking; the middle is judged, since
one delay is no better known than the cycle of the messages that show it. The maker's figure is what a brake may
take at most; where the fleet shows what it usually takes, a vehicle far above that is late as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import over
from herdbook.pipeline.health.reading import reference, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, NEWEST, table
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, middle


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    brakings = table(record).drop_nulls("response_s").tail(NEWEST)
    if brakings.height < limits["count"]:
        return NotAssessed(f"only {counted(brakings.height, 'braking')} begin sharply enough to time the answer")
    own = record.profile.drive_figures.brake_response_ms
    limit = limits["delay"] if own is None else own / 1000.0 + limits["over_own"]
    known = reference(record, "brake_response_s")
    if known is not None:
        limit = min(limit, known.value + max(limits["over_fleet"], limits["spreads"] * known.spread))
    mid = middle(brakings["response_s"], least_se=0.01)
    if mid.value - 3.0 * mid.se < limit:
        return []
    hit = brakings.filter(pl.col("response_s") > limit)
    return [
        Finding(
            severity=Severity.SERVICE,
            item="",
            measured=mid.value,
            limit=limit,
            unit="s",
            statement=f"The electric brake reached half of what was asked {spell(mid.value, 's', mid.se)} after the "
            f"command, in the middle of {brakings.height} brakings.",
            se=mid.se,
            confidence=confidence(mid.value, limit, mid.se),
            persistence=hit.height / brakings.height,
            count=hit.height,
            duration_s=seconds(hit),
            windows=windows(hit, "response_s"),
            signals=("brake_demand", "regen_demand", "regen_current", "motor_current", "packet_age"),
            not_separable="A slow controller or slow status messages: an oscilloscope on phase current and command "
            "separates them.",
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import fleet
    from herdbook.pipeline.health.rules._example_brakings import braked

    def in_fleet(middle_s: float, spread_s: float, own_s: float) -> Record:
        known = fleet(("brake_response_s", middle_s, spread_s, "s"))
        return replace(braked(*[{"response_s": own_s}] * 12), reference=known)

    return Cases(
        fires_on=(
            braked(*[{"response_s": 0.8}] * 10),
            braked(*[{"response_s": 0.5}] * 12),
            in_fleet(0.05, 0.005, 0.30),
        ),
        quiet_on=(
            braked(*[{"response_s": 0.2}] * 20),
            braked(*[{"response_s": 0.9}] * 3, *[{"response_s": 0.15}] * 20),
            in_fleet(0.05, 0.005, 0.18),
            in_fleet(0.20, 0.04, 0.30),
        ),
        unassessed_on=(braked(), braked({}, {})),
    )


RULE = Rule(
    id="regen_late",
    title="Electric brake answers late",
    subsystem="braking",
    severity=Severity.SERVICE,
    needs=("braking_judged_count",),
    roles=("brake_demand", "regen_demand", "regen_current"),
    must=("brake_demand", "regen_demand", "regen_current|pack_current"),
    limits=(
        Limit(
            "delay",
            0.36,
            "s",
            "the 0.1 V term of motorcycle stopping rules is a delay of 0.36 s: calculation",
        ),
        Limit(
            "over_own",
            0.1,
            "s",
            "above the profile's brake_response_ms, which wins: engineering choice",
        ),
        Limit("over_fleet", 0.15, "s", "above the fleet's middle: 1 m of way at 25 km/h: engineering choice"),
        Limit("spreads", 6.0, "1", "or this many robust spreads of the fleet: engineering choice"),
        Limit("count", 8, "brakings", "engineering choice"),
    ),
    judge=judge,
    meaning="At 25 km/h every tenth of a second costs 0.7 m before braking begins.",
    causes=(
        "Ramp or filter set too slow in the controller",
        "Overloaded bus or controller",
        Cause("Poor radio link", over("packet_age", 200.0, "the age of the newest packet")),
    ),
    bench=(
        "Compare ramp settings and firmware with a vehicle that answers in time",
        "Measure command and phase current with an oscilloscope",
    ),
    cautions=CAUTION,
    source="delay allowance: calculation from the 0.1 V term in UN R78 stopping distances (from memory)",
    cases=_cases,
)
