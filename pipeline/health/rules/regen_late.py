"""The electric brake comes, but late.

Delay from the demand to the delivered current at half height, braking by braking; the middle is judged, since
one delay is no better known than the cycle of the messages that show it.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.health.evidence import confidence, counted, middle, seconds, spell, windows
from pipeline.health.model import Finding, Limit, NotAssessed, Record, Rule
from pipeline.health.rules._brakings import CAUTION, NEWEST, braked, table


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    brakings = table(record).drop_nulls("response_s").tail(NEWEST)
    if brakings.height < limits["count"]:
        return NotAssessed(f"only {counted(brakings.height, 'braking')} begin sharply enough to time the "
        f"answer")
    own = record.profile.drive.get("brake_response_ms")
    limit = own / 1000.0 + limits["over_own"] if isinstance(own, int | float) else limits["delay"]
    mid = middle(brakings["response_s"], least_se=0.01)
    if mid.value - 3.0 * mid.se < limit:
        return []
    hit = brakings.filter(pl.col("response_s") > limit)
    return [
        Finding(
            "service",
            "",
            mid.value,
            limit,
            "s",
            f"The electric brake reached half of what was asked {spell(mid.value, 's', mid.se)} after the "
            f"command, in the "
            f"middle of {brakings.height} brakings.",
            se=mid.se,
            confidence=confidence(mid.value, limit, mid.se),
            persistence=hit.height / brakings.height,
            count=hit.height,
            duration_s=seconds(hit),
            windows=windows(hit, "response_s"),
            signals=("brake_demand", "regen_demand", "regen_current", "motor_current", "packet_age"),
            not_separable="A slow controller or slow status messages: an oscilloscope on phase current and "
            "command "
            "separates them.",
        )
    ]


RULE = Rule(
    id="regen_late",
    title="Electric brake answers late",
    subsystem="braking",
    severity="service",
    needs=("braking_judged_count",),
    roles=("brake_demand", "regen_demand", "regen_current"),
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
        Limit("count", 8, "brakings", "engineering choice"),
    ),
    judge=judge,
    meaning="At 25 km/h every tenth of a second costs 0.7 m before braking begins.",
    causes=(
        "Ramp or filter set too slow in the controller",
        "Overloaded bus or controller",
        "Poor radio link",
    ),
    bench=(
        "Compare ramp settings and firmware with a vehicle that answers in time",
        "Measure command and phase current with an oscilloscope",
    ),
    cautions=CAUTION,
    source="delay allowance: calculation from the 0.1 V term in UN R78 stopping distances (from memory)",
    fires_on=(braked(*[{"response_s": 0.8}] * 10), braked(*[{"response_s": 0.5}] * 12)),
    quiet_on=(
        braked(*[{"response_s": 0.2}] * 20),
        braked(*[{"response_s": 0.9}] * 3, *[{"response_s": 0.15}] * 20),
    ),
    unassessed_on=(braked(), braked({}, {})),
)
