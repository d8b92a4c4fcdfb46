"""The electric brake comes, but late.

Delay from the demand to the delivered current at half height, braking by braking; the middle is judged, since
one delay is no better known than the cycle of the messages that show it. The maker's figure is what a brake may
take at most; where the fleet shows what it usually takes, or its own earlier brakings do, a vehicle far above that is
late as well. Over the maker's figure by more than messages may be old, and by less than is acted on, is a note.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, only_by, over
from herdbook.pipeline.health.reading import reference, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, NEWEST, table
from herdbook.pipeline.health.rules._own_step import own_step
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import Middle, confidence, middle
from herdbook.pipeline.metrics.braking import CLOCK_S

LEAST_SE = 0.01  # s, of one braking: no answer is timed better, as for a middle


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    whole = table(record).drop_nulls("response_s")
    every = whole.tail(NEWEST)
    own = record.profile.drive_figures.brake_response_ms
    limit = limits["delay"] if own is None else own / 1000.0 + limits["over_own"]
    known = reference(record, "brake_response_s")
    if known is not None:
        limit = min(limit, known.value + max(limits["over_fleet"], limits["spreads"] * known.spread))
    if every.height < limits["count"]:
        if every.height < limits["least"] or not (every["response_s"] > limit + limits["far"]).all():
            few = counted(every.height, "braking event")
            return NotAssessed(f"only {few} begin sharply enough to time the answer")
        return [_finding(_Late(every, every, limit, chance=0.05))]
    late = _later_than(every, limit, limits["chance"])
    if late is not None:
        return [_finding(late)]
    since = _since(whole, limits)
    if since is not None:
        return [since]
    if own is not None:
        frames = every["response_frame_s"].median()
        maker = own / 1000.0 + (frames if isinstance(frames, float) else math.inf)
        late = _later_than(every, maker, limits["chance"], CLOCK_S) if maker < limit else None
        if late is not None:
            return [_over_maker(late, own / 1000.0)]
    middle_of = middle(every["response_s"], least_se=LEAST_SE)
    return _unsure(middle_of.value, middle_of.se, every.height, limit) if middle_of.value > limit else []


@dataclass(frozen=True, slots=True)
class _Late:
    """brakings: since the newest stretch began; hit: those of them later than the limit."""

    brakings: pl.DataFrame
    hit: pl.DataFrame
    limit: float
    chance: float
    least_se: float = LEAST_SE

    @property
    def mid(self) -> Middle:
        return middle(self.brakings["response_s"], least_se=self.least_se)


def _later_than(every: pl.DataFrame, limit: float, most: float, least_se: float = LEAST_SE) -> _Late | None:
    """The newest stretch, where its middle is surely later than the limit. Were the middle at the limit, half of the
    brakings would be over it: the sign test."""
    since = newest_stretch(every, (every["response_s"] > limit).to_numpy(), usual=0.5)
    late = _Late(since.rows, since.hit, limit, since.chance, least_se)
    return late if since.chance <= most and late.mid.value - 3.0 * late.mid.se >= limit else None


def _since(whole: pl.DataFrame, limits: Mapping[str, float]) -> Finding | None:
    """By its own earlier brakings: a step that no frames explain."""
    values = whole["response_s"].to_numpy()
    step = own_step(values, int(limits["least"]), LEAST_SE, limits["own_sigmas"])
    if step is None or step.rise - 3.0 * step.se < limits["over_fleet"]:
        return None
    after, before = whole.slice(step.first), whole.head(step.first)
    limit = middle(before["response_s"], least_se=LEAST_SE).value + limits["over_fleet"]
    late = _Late(after, after.filter(pl.col("response_s") > limit), limit, chance=limits["chance"])
    if 2 * late.hit.height < after.height or late.mid.value <= limit:
        return None
    last, first = (t.to_list()[k] for t, k in ((before["start_t"], -1), (after["start_t"], 0)))
    found = _finding(late)
    text = f"Since a time between {last:%Y-%m-%d %H:%M} and {first:%Y-%m-%d %H:%M} the electric brake reaches half of "
    text += f"what was asked {spell(late.mid.value, 's', late.mid.se)} after the command, the median of {after.height} "
    text += f"braking events, against {spell(step.before, 's')} in its {before.height} before."
    return replace(found, statement=text)


def _over_maker(late: _Late, own_s: float) -> Finding:
    mid = late.mid
    text = f"The electric brake reached half of what was asked {spell(mid.value, 's', mid.se)} after the command, the "
    text += f"median of {late.brakings.height} braking events; its maker names {spell(own_s, 's')}."
    return replace(_finding(late), severity=Severity.NOTE, statement=text)


def _finding(late: _Late) -> Finding:
    mid, brakings = late.mid, late.brakings
    return Finding(
        severity=Severity.SERVICE,
        item="",
        measured=mid.value,
        limit=late.limit,
        unit="s",
        statement=f"The electric brake reached half of what was asked {spell(mid.value, 's', mid.se)} after the "
        f"command, the median of {brakings.height} braking events.",
        se=mid.se,
        confidence=min(1.0 - late.chance, confidence(mid.value, late.limit, mid.se)),
        persistence=late.hit.height / brakings.height,
        count=late.hit.height,
        duration_s=seconds(late.hit),
        windows=windows(late.hit, "response_s"),
        signals=("brake_demand", "regen_demand", "regen_current", "motor_current", "packet_age"),
        not_separable="A slow controller or slow status messages: an oscilloscope on phase current and command "
        "separates them.",
    )


def _unsure(value: float, se: float, count: int, limit: float) -> NotAssessed:
    return NotAssessed(
        f"the middle answer of {counted(count, 'braking event')} came after {spell(value, 's', se)}, over the "
        f"{spell(limit, 's')} of the limit but not surely; more braking events are needed"
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import fleet, profile
    from herdbook.pipeline.health.rules._example_brakings import braked

    def in_fleet(middle_s: float, spread_s: float, own_s: float) -> Record:
        known = fleet(("brake_response_s", middle_s, spread_s, "s"))
        return replace(braked(*[{"response_s": own_s}] * 12), reference=known)

    def made_for(own_s: float, of: Record) -> Record:
        return replace(of, profile=profile(drive={"brake_response_ms": 1000.0 * own_s}))

    return Cases(
        fires_on=(
            braked(*[{"response_s": 0.8}] * 10),
            braked(*[{"response_s": 0.5}] * 12),
            braked(*[{"response_s": 0.7}] * 3),
            braked(*[{"response_s": 0.09}] * 8, *[{"response_s": 0.31}] * 5),  # it used to answer sooner
            made_for(0.2, braked(*[{"response_s": 0.27, "response_frame_s": 0.04}] * 12)),
            in_fleet(0.05, 0.005, 0.30),
        ),
        quiet_on=(
            braked(*[{"response_s": 0.2}] * 20),
            braked(*[{"response_s": 0.09}] * 8, *[{"response_s": 0.19}] * 8),
            made_for(0.2, braked(*[{"response_s": 0.27, "response_frame_s": 0.1}] * 12)),
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
    when=(
        (
            Severity.SERVICE,
            "the middle answer is surely later than the limit, or than it was among its own earlier ones",
        ),
        (Severity.NOTE, "it is surely later than the maker's figure, by less than `over_own`"),
    ),
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
        Limit(
            "over_fleet",
            0.15,
            "s",
            "above the fleet's middle, or its own before: 1 m of way at 25 km/h: engineering choice",
        ),
        Limit(
            "own_sigmas", 6.0, "1", "of a step among its own braking events, for every place to cut: engineering choice"
        ),
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
    version=4,
    cases=_cases,
)
