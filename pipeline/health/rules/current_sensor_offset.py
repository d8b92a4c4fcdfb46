"""The current sensor shows current when none can flow: switch open, pack asleep, charger idle; or since a certain day.

An error of a hundredth of the rated charge an hour is a quarter of the pack a day in every count of charge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import any_of, moves, only_by, stepped
from herdbook.pipeline.health.newest_level import since_step
from herdbook.pipeline.health.pooled import Pooled, pooled
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, surely_passed, worth_acting
from herdbook.pipeline.science.robust_fit import MAD_TO_SD, median
from herdbook.pipeline.vehicle.record import Metric

UNIT = "A"
STEPPED = stepped("pack_current_zero_a", "what the sensor reads at no current", "pack_current")
PER_AH = "A for each Ah of rated charge"
LIMITS = (
    Limit("look", 0.0067, PER_AH, "engineering choice: a sixth of the pack a day in the count of charge"),
    Limit("act", 0.02, PER_AH, "engineering choice: the reported charge is worthless within two days"),
    Limit("z", 4.0, "standard errors", "engineering choice: under 1 in 30,000 by chance"),
    Limit(
        "awake", 2.0, "W", "from memory: monitor, tracker and controller draw next to nothing asleep, and this awake"
    ),
    Limit("drawn", 60.0, "W", "engineering choice: the most that lamps and electronics draw while a vehicle stands"),
    Limit("own", 0.002, PER_AH, "engineering choice: two readings of one sensor at rest differ by so much"),
    Limit("days", 30.0, "days", "engineering choice: the newest stretch; what it was before a jump is left out"),
)


@dataclass(frozen=True, slots=True)
class Zero:
    """What the sensor reads beyond what flows, A; where it was read, in words."""

    p: Pooled
    value: float
    se: float
    where: str


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rated = record.profile.pack_figures.rated_ah
    zeros = _zeros(record, rated, limits)
    if not zeros:
        return NotAssessed(
            "the current was never recorded with the main switch open, at rest, beside a charger that reports its "
            "current, or standing still over several rides"
        )
    found = [z for z in zeros if abs(z.value) - limits["look"] * rated > limits["z"] * z.se]
    # Readings of one sensor must agree: what one place refutes beyond doubt is no zero error.
    sure = [z for z in found if not any(_refutes(other, z, limits["z"]) for other in zeros)]
    best = max(sure, key=lambda z: abs(z.value) / z.se, default=None)
    if best is not None:
        return [_finding(best, rated, limits)]
    shows = min(limits["look"] * rated + limits["z"] * z.se for z in zeros)
    if shows > 2.0 * limits["act"] * rated or all(z.where == STEP for z in zeros):
        return NotAssessed(
            f"what was recorded would show a zero error only from {shows:.1f} A on, or only if it began within the "
            "record; a rest with the bus awake is needed"
        )
    return []


STEP = "standing still"
# Of a 40 V pack, such as our demo board's, where the profile does not count them (engineering choice).
USUAL_GROUPS = 12


def _zeros(record: Record, rated: float, limits: Mapping[str, float]) -> list[Zero]:
    out = []
    # Who records is awake. What is drawn then truly flows, to one side alone, and nobody knows how much of it
    draws = limits["awake"] / _volts(record)
    places = (
        ("pack_current_zero_a", "with the main switch open", 0.0, 0.0),
        ("pack_rest_a", "at rest", 0.5 * draws, draws / np.sqrt(12.0)),
        ("pack_less_charger_a", "beside an idle charger", 0.0, limits["own"] * rated),
    )
    for name, where, flows, doubt in places:
        p = pooled(record, name, last_days=limits["days"]).get("")
        if p is not None:
            p = since_step(p, limits["own"] * rated)
            # A zero does not move: of many readings the middle one counts, and a single odd one does not.
            spread = MAD_TO_SD * median(np.abs(p.values - median(p.values))) / np.sqrt(p.count)
            own = float(np.nanmin(p.ses)) if np.isfinite(p.ses).any() else 0.0
            out.append(Zero(p, median(p.values) - flows, float(np.sqrt(spread**2 + own**2 + doubt**2)), where))
    idle = pooled(record, "pack_idle_a", last_days=limits["days"]).get("")
    if idle is not None and idle.count >= 2:
        out.append(_step(idle, record, rated, limits))
    return out


def _volts(record: Record) -> float:
    pack = record.profile.pack_figures
    return pack.of_chemistry.plateau_v[0] * float(pack.cells or USUAL_GROUPS)


def _step(p: Pooled, record: Record, rated: float, limits: Mapping[str, float]) -> Zero:
    """A step from ride to ride; and what is beyond any draw, or below none."""
    newest = since_step(p, limits["own"] * rated)
    most = limits["drawn"] / _volts(record)
    beyond = newest.value - most if newest.value > most else min(newest.value, 0.0)
    before = p.values[: p.count - newest.count]
    # One stop may be anything, a push or a plug, or a motor that holds on a slope; before a step as after it
    step = newest.value - float(np.median(before)) if min(before.size, newest.count) > 1 else 0.0
    beyond = beyond if newest.count > 1 else 0.0
    value = step if abs(step) > abs(beyond) else beyond
    return Zero(newest, value, float(np.hypot(newest.se, limits["own"] * rated)), STEP)


def _refutes(other: Zero, z: Zero, least: float) -> bool:
    """A step while standing may be a lamp: rests since then decide; and no direct reading yields to a step."""
    if other is z or other.where == STEP or z.where != STEP:
        return False
    late = other.p.ends[-1] >= z.p.starts[0]
    return bool(late and abs(z.value - other.value) > least * np.hypot(z.se, other.se))


def _finding(z: Zero, rated: float, limits: Mapping[str, float]) -> Finding:
    bounds = {"look": limits["look"] * rated, "act": limits["act"] * rated, "z": limits["z"]}
    act = worth_acting(abs(z.value), z.se, **bounds)
    limit = surely_passed(abs(z.value), z.se, **bounds)
    told = {STEP: "while the vehicle stands and since a step", "at rest": "at rest, less what may be drawn awake"}
    where = told.get(z.where, z.where)
    value, error = to_error(z.value, z.se, "+")
    return Finding(
        severity=Severity.SERVICE if act else Severity.NOTE,
        item="",
        measured=abs(z.value),
        limit=limit,
        unit=UNIT,
        se=z.se,
        statement=f"The current sensor reads {value} A that do not flow, {where} (standard error "
        f"{error} A, {counted(z.p.count, 'session')}): {abs(z.value) * 24:.0f} Ah a day in the count of charge.",
        confidence=confidence(abs(z.value), limit, z.se) * (0.9 if z.where == STEP else 1.0),
        persistence=1.0,
        count=z.p.count,
        duration_s=z.p.duration_s,
        windows=z.p.windows(largest=z.value > 0),
        signals=("pack_current", "contactor_state", "pack_soc"),
        not_separable="Sensor or a load that nobody knows of: a clamp meter on the pack's lead tells.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    looked = Metric("pack_still_readings", 300.0, "1", None, 300)

    def session(day: float, amps: float, se: float = 0.03) -> ExampleSession:
        return one_session(day, "rest", looked, Metric("pack_current_zero_a", amps, "A", se, 300))

    def at(day: float, kind: str, name: str, amps: float) -> ExampleSession:
        return one_session(day, kind, looked, Metric(name, amps, "A", 0.03, 300))

    return Cases(
        fires_on=(
            record(session(0, 0.4), session(1, 0.45), session(2, 0.41)),
            record(*(session(d, -0.9) for d in range(3))),
            record(session(0, 0.4)),  # one is enough
            record(*(at(d, "rest", "pack_rest_a", 0.75) for d in range(2))),  # asleep, the switch closed
            record(at(0, "charge", "pack_less_charger_a", 0.8)),
            record(
                *(at(d, "ride", "pack_idle_a", 0.2) for d in range(5)),
                *(at(d, "ride", "pack_idle_a", 1.2) for d in (5, 6)),
            ),
        ),
        quiet_on=(
            record(session(0, 0.05), session(1, 0.04)),
            record(session(0, 0.0), session(1, 2.0), session(2, 0.02), session(3, 0.0)),
            record(*(at(d, "ride", "pack_idle_a", 1.0) for d in range(5)), at(6, "rest", "pack_rest_a", 0.01)),  # lamps
            record(  # lamps switched on: at rest nothing is read
                at(0, "ride", "pack_idle_a", 0.2), at(1, "ride", "pack_idle_a", 1.2), at(2, "rest", "pack_rest_a", 0.0)
            ),
        ),
        unassessed_on=(
            record(one_session(0, "rest")),
            record(at(0, "ride", "pack_idle_a", 0.4)),
            record(
                at(0, "rest", "pack_idle_a", 5.0), *(at(d, "ride", "pack_idle_a", 0.8) for d in (1, 2, 3))
            ),  # a hill
        ),
    )


RULE = Rule(
    id="current_sensor_offset",
    title="The current sensor's zero is off",
    subsystem="pack",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "the zero is surely beyond `look`, and beyond `act` within its error"),
        (Severity.NOTE, "surely beyond `look`"),
    ),
    needs=("pack_still_readings",),
    roles=("pack_current",),
    limits=LIMITS,
    judge=judge,
    meaning="The pack counts charge that does not flow. Its reported charge drifts away, and all figures that rest on "
    "counted charge with it.",
    causes=(
        Cause(
            "drift of the sensor or its amplifier",
            moves("pack_current_zero_a", "what the sensor reads at no current", "pack_current"),
        ),
        Cause(
            "a sensor magnetised by a short circuit",
            any_of(STEPPED, only_by("the sensor's zero before and after it is demagnetised")),
        ),
        Cause(
            "wrong zero set at repair",
            any_of(STEPPED, only_by("the date of the repair, or the zero that the service tool shows")),
        ),
    ),
    bench=("read the sensor with the pack's lead off", "compare with a reference meter at 0, 10 and 40 A, both ways"),
    cautions=("A wrong reported charge can strand a rider, and can hide an empty pack.",),
    source="an open circuit carries no current; limits: see each",
    cases=_cases,
    version=6,
)
