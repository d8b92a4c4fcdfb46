"""The electric brake comes, but late.

Delay from the demand to the delivered current at half height, braking by braking; the middle is judged, since
one delay is no better known than the cycle of the messages that show it. The maker's figure is what a brake may
take at most; where the fleet shows what it usually takes, a vehicle far above that is late as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, only_by, over
from herdbook.pipeline.health.reading import reference, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, NEWEST, table
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import confidence, middle


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    every = table(record).drop_nulls("response_s").tail(NEWEST)
    own = record.profile.drive_figures.brake_response_ms
    limit = limits["delay"] if own is None else own / 1000.0 + limits["over_own"]
    known = reference(record, "brake_response_s")
    if known is not None:
        limit = min(limit, known.value + max(limits["over_fleet"], limits["spreads"] * known.spread))
    # were the middle at the limit, half of them would be over it: the sign test
    since = newest_stretch(every, (every["response_s"] > limit).to_numpy(), usual=0.5)
    brakings, hit, chance = since.rows, since.hit, since.chance
    mid = middle(brakings["response_s"], least_se=0.01)
    few = every.height < limits["count"]
    if few and every.height >= limits["least"] and (every["response_s"] > limit + limits["far"]).all():
        chance = 0.05
    elif few:
        return NotAssessed(f"only {counted(every.height, 'braking event')} begin sharply enough to time the answer")
    elif chance > limits["chance"] or mid.value - 3.0 * mid.se < limit:
        whole = middle(every["response_s"], least_se=0.01)
        return _unsure(whole.value, whole.se, every.height, limit) if whole.value > limit else []
    return [
        Finding(
            severity=Severity.SERVICE,
            item="",
            measured=mid.value,
            limit=limit,
            unit="s",
            statement=f"The electric brake reached half of what was asked {spell(mid.value, 's', mid.se)} after the "
            f"command, the median of {brakings.height} braking events.",
            se=mid.se,
            confidence=min(1.0 - chance, confidence(mid.value, limit, mid.se)),
            persistence=hit.height / brakings.height,
            count=hit.height,
            duration_s=seconds(hit),
            windows=windows(hit, "response_s"),
            signals=("brake_demand", "regen_demand", "regen_current", "motor_current", "packet_age"),
            not_separable="A slow controller or slow status messages: an oscilloscope on phase current and command "
            "separates them.",
        )
    ]


def _unsure(value: float, se: float, count: int, limit: float) -> NotAssessed:
    return NotAssessed(
        f"the middle answer of {counted(count, 'braking event')} came after {spell(value, 's', se)}, over the "
        f"{spell(limit, 's')} of the limit but not surely; more braking events are needed"
    )


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
            braked(*[{"response_s": 0.7}] * 3),
            in_fleet(0.05, 0.005, 0.30),
        ),
        quiet_on=(
            braked(*[{"response_s": 0.2}] * 20),
            braked(*[{"response_s": 0.9}] * 3, *[{"response_s": 0.15}] * 20),
            in_fleet(0.05, 0.005, 0.18),
            in_fleet(0.20, 0.04, 0.30),
        ),
        unassessed_on=(
            braked(),
            braked({}, {}),
            braked(*[{"response_s": 0.4}] * 4),
            braked(*[{"response_s": 0.37}] * 12),
        ),
    )


RULE = Rule(
    id="regen_late",
    title="Electric brake answers late",
    subsystem="braking",
    severity=Severity.SERVICE,
    needs=("braking_judged_count",),
    roles=("brake_demand", "regen_demand", "regen_current"),
    must=("brake_demand", "regen_demand|motor_current", "regen_current|pack_current"),
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
        Limit("chance", 0.02, "1", "of so many late ones were the middle at the limit (sign test): engineering choice"),
        Limit(
            "count",
            6,
            "braking events",
            "all late in one ride are then under that chance; over several rides up to nine are needed, and fewer are "
            "told as nothing found: calculation",
        ),
        Limit("least", 3, "braking events", "when each is late by `far` more; then 0.95 sure: engineering choice"),
        Limit("far", 0.1, "s", "over the limit, more than one braking is misread by: engineering choice"),
    ),
    judge=judge,
    meaning="At 25 km/h every tenth of a second costs 0.7 m before braking begins.",
    causes=(
        Cause(
            "Ramp or filter set too slow in the controller",
            only_by("a step of the brake command on the stand, beside a vehicle that brakes in time"),
        ),
        Cause("Overloaded bus or controller", also_found("message_faults")),
        Cause("Poor radio link", over("packet_age", 200.0, "the age of the newest packet", rules_out=False)),
    ),
    bench=(
        "Compare ramp settings and firmware with a vehicle that answers in time",
        "Measure command and phase current with an oscilloscope",
    ),
    cautions=CAUTION,
    source="delay allowance: calculation from the 0.1 V term in UN R78 stopping distances (from memory)",
    version=3,
    cases=_cases,
)
