"""The reported state of charge is wrong where it can be checked: full, at a low rest, mid-curve, and as it counts.

At anchors the gap is read as it is. A pack that says 80 % when the charger has just finished, or 20 % when its
rest voltage says 5 %, misleads its rider. A firmware that snaps to 100 % at the charger's end shows no gap there;
but in between its report must move as far as the counted current says (pack/charge_count.py), and as far as it did
before. A step in the middle of the curve, where all packs of the type report the same, checks it in any charge over it
(pack/curve_place.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, capacity_counted, charged_full
from herdbook.pipeline.health.pack.charge_count import ByDirection, Slowed, count_by_direction, count_slowed, moved
from herdbook.pipeline.health.pack.charge_off import ANCHOR, readings_off
from herdbook.pipeline.health.pack.curve_place import report_at_step
from herdbook.pipeline.health.pooled import Pooled, pool
from herdbook.pipeline.health.reading import event_table, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, surely_passed, worth_acting
from herdbook.pipeline.science.meta_analysis import Z95
from herdbook.pipeline.vehicle.record import Event, Metric

UNIT = "% of charge"
LIMITS = (
    Limit(
        "look", 8.0, UNIT, "engineering choice: common practice asks for 5 %; the anchors themselves are 1 to 3 % sure"
    ),
    Limit("act", 15.0, UNIT, "engineering choice: the last fifth of the display cannot be trusted"),
    Limit("z", 3.0, "standard errors", "engineering choice: one figure an anchor kind, so 1 in 700"),
    Limit("own", 3.0, UNIT, "engineering choice: a report that is right walks by so much between two anchors"),
    Limit("larger", 3.0, UNIT, "engineering choice: packs hold more than rated by so much, and may be counted so"),
    Limit("days", 45.0, "days", "engineering choice: the newest stretch that is judged together"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    away = _all_away(record, limits)
    count = moved(record, limits["days"])
    if not away and count is None:
        return NotAssessed(
            "reported charge was never seen at a full pack, at a low rest or at a step of the curve that the fleet "
            "knows, and too little charge flowed beside it to check how it counts"
        )
    found = [] if count is None else _judge_count(count, limits)
    slowed, ways = count_slowed(record, limits["days"]), count_by_direction(record, limits["days"])
    if not found and slowed is not None:
        found = _judge_slowing(slowed, limits)
    if ways is not None:
        found += _judge_directions(ways, limits)
    for kind, seen in away.items():
        found += _judge_kind(kind, seen, limits)
    if not found and count is not None and (still_open := _count_open(count, limits)):
        return NotAssessed(still_open)
    if found or any(_clears(a, limits) or _clears(a.newest(), limits) for a in away.values()):
        return found
    if not away:
        # How it counts says nothing of where it stands
        return NotAssessed(
            "how the reported charge counts is right, but where it stands was never seen at a full pack, a low rest or "
            "a step of the curve that the fleet knows"
        )
    return NotAssessed(f"{_seen(away)}: too few to tell whether it is {limits['act']:.0f} % off")


@dataclass(frozen=True, slots=True)
class _Away:
    """Reported less true charge at anchors of one kind, %. part: its rows; own: by how much one reading walks; shared:
    what is the same in all of them, of the table or of the fleet's figure."""

    value: float
    se: float
    part: pl.DataFrame
    own: float
    shared: float

    @staticmethod
    def of(part: pl.DataFrame, own: float, shared: float) -> _Away:
        gap = part["gap"].to_numpy()
        value, se = pool(gap, np.full(gap.size, own))
        return _Away(value, float(np.hypot(se, shared)), part, own, shared)

    def newest(self) -> _Away:
        return _Away.of(self.part.tail(1), self.own, self.shared)


def _all_away(record: Record, limits: Mapping[str, float]) -> dict[str, _Away]:
    """By kind of anchor, and at the step of the curve."""
    out = {}
    anchored = readings_off(record, limits["days"]) if event_table(record, "charge_anchor", ANCHOR).height else None
    for (kind,), part in () if anchored is None else anchored.group_by(["item"], maintain_order=True):
        # An anchor's error comes from its table and is the same every time: it does not shrink with their number.
        out[str(kind)] = _Away.of(part, limits["own"], float(np.median(part["se_pct"].to_numpy())))
    steps, spread = report_at_step(record, limits["days"])
    if steps.height:
        # How far a sound report walks is in what sound packs differ by
        out["step"] = _Away.of(steps, float(np.median(steps["se_pct"].to_numpy())), spread)
    return out


def _clears(seen: _Away, limits: Mapping[str, float]) -> bool:
    """Whether a report that is off enough to act on would have been seen: by all readings, or by the newest."""
    return abs(seen.value) + Z95 * seen.se < limits["act"]


WHERE = {
    "full": "with the pack full",
    "low": "at a low rest",
    "step": "at a step of its curve, by what the fleet's packs report there,",
}


def _seen(away: Mapping[str, _Away]) -> str:
    parts = [(WHERE[kind], *to_error(a.value, a.se, "+")) for kind, a in away.items()]
    told = [f"{value} % {where} (standard error {error} %)" for where, value, error in parts]
    return f"the reported charge was off by {', '.join(told)}"


def _judge_kind(kind: str, seen: _Away, limits: Mapping[str, float]) -> list[Finding]:
    value, se, part = seen.value, seen.se, seen.part
    act = worth_acting(abs(value), se, look=limits["look"], act=limits["act"], z=limits["z"])
    # surely off, and likely by more than `look`, is worth a note
    if not act and not (abs(value) > limits["look"] and abs(value) > limits["z"] * se):
        return []
    limit = surely_passed(abs(value), se, look=limits["look"], act=limits["act"], z=limits["z"])
    where = WHERE[kind]
    word = "too much" if value > 0 else "too little"
    off, error = to_error(abs(value), se)
    return [
        Finding(
            severity=Severity.SERVICE if act else Severity.NOTE,
            item=kind,
            measured=abs(value),
            limit=limit,
            unit=UNIT,
            se=se,
            statement=f"The pack reports {off} % {word} charge {where} (standard error {error} %, "
            f"{counted(part.height, 'time')}).",
            confidence=confidence(abs(value), limit, se),
            persistence=float(np.mean(part["gap"].abs().to_numpy() > limits["look"])),
            count=part.height,
            duration_s=float((part["session_end_t"] - part["session_start_t"]).dt.total_seconds().sum()),
            windows=windows(part.with_columns(size=pl.col("gap").abs()), "size"),
            signals=("pack_soc", "cell_voltage", "pack_current"),
            not_separable="Zero error of the current sensor, wrong capacity in the electronics, or a pack that has "
            "lost capacity: a full charge and a measured discharge tell.",
            unsettled=not act and abs(value) + Z95 * se > limits["act"],
        )
    ]


def _count_off(count: Pooled, limits: Mapping[str, float]) -> tuple[float, float]:
    """How far from full to empty the report is off by its count, in %, and the standard error."""
    return 100.0 * (1.0 - count.value), float(np.hypot(100.0 * count.se, limits["larger"]))


def _count_open(count: Pooled, limits: Mapping[str, float]) -> str:
    """Why nothing found does not mean that it counts right; "" where it surely does."""
    off, se = _count_off(count, limits)
    if not (off > limits["look"] and off + Z95 * se > limits["act"]):
        return ""
    said, error = to_error(100 * count.value, se)
    return (
        f"the reported charge moves by {said} % of what the counted current asks for (standard error "
        f"{error} %, {counted(count.count, 'session')}): too few to tell whether it is {limits['act']:.0f} % off"
    )


def _judge_count(count: Pooled, limits: Mapping[str, float]) -> list[Finding]:
    """How far from full to empty the report is off: it moves by less than what flowed. One that moves by more reckons
    with a pack that has lost capacity, which is no fault of it."""
    off, se = _count_off(count, limits)
    act = worth_acting(off, se, look=limits["look"], act=limits["act"], z=limits["z"])
    # as at anchors: surely off, and likely by more than `look`, is worth a note
    if not act and not (off > limits["look"] and off > limits["z"] * se):
        return []
    limit = surely_passed(off, se, look=limits["look"], act=limits["act"], z=limits["z"])
    share = 1.0 - limits["look"] / 100.0
    (said, error), (missing, _) = to_error(100 * count.value, se), to_error(off, se)
    return [
        Finding(
            severity=Severity.SERVICE if act else Severity.NOTE,
            item=count.item,
            measured=off,
            limit=limit,
            unit=UNIT,
            se=se,
            statement=f"The reported charge moves by {said} % of what the counted current and the "
            f"rated capacity ask for, so that {missing} % of the shown range does not exist (standard error "
            f"{error} %, {counted(count.count, 'session')}).",
            confidence=confidence(off, limit, se),
            persistence=float(np.mean(count.values < share)),
            count=count.count,
            duration_s=count.duration_s,
            windows=count.windows(largest=False),
            signals=("pack_soc", "pack_current"),
            not_separable="Electronics set to a larger pack than the profile names look the same.",
            unsettled=not act and off + Z95 * se > limits["act"],
        )
    ]


def _judge_slowing(slowed: Slowed, limits: Mapping[str, float]) -> list[Finding]:
    """A report that moves by less for the same current than it did before. No pack grows: it counts wrongly now, or did
    before; whatever its capacity is, and the profile's."""
    off = 100.0 * (1.0 - slowed.share)
    se = 100.0 * slowed.se
    if not (off > limits["look"] and off > limits["z"] * se):
        return []
    now = slowed.now
    less, error = to_error(off, se)
    return [
        Finding(
            severity=Severity.NOTE,
            item=now.item,
            measured=off,
            limit=limits["look"],
            unit=UNIT,
            se=se,
            statement=f"The reported charge moves by {less} % less for the same counted current than it did before "
            f"(standard error {error} %; {counted(now.count, 'session')} since, {slowed.before} before): no pack "
            "grows, so that it counts wrongly now or did before.",
            confidence=confidence(off, limits["look"], se),
            persistence=1.0,
            count=now.count,
            duration_s=now.duration_s,
            windows=now.windows(largest=False),
            signals=("pack_soc", "pack_current"),
            not_separable="A monitor that had learned too small a capacity and has put it right, or another pack put "
            "in, look the same: a full charge and a measured discharge tell.",
            unsettled=True,
        )
    ]


def _judge_directions(ways: ByDirection, limits: Mapping[str, float]) -> list[Finding]:
    """A report that comes back by another measure than it leaves by. A lithium cell gives back 99 % of the charge and
    more, so that it drifts by the difference with every full cycle, until a full charge sets it right."""
    off, se = 100.0 * (1.0 - ways.share), 100.0 * ways.se
    if not (abs(off) > limits["look"] and abs(off) > limits["z"] * se):
        return []
    said, error = to_error(abs(off), se)
    out, back = ways.out, ways.back
    less, low = ("less", "low") if off > 0 else ("more", "high")
    return [
        Finding(
            severity=Severity.NOTE,
            item="charges",
            measured=abs(off),
            limit=limits["look"],
            unit=UNIT,
            se=se,
            statement=f"For the same counted current the reported charge moves by {said} % {less} in charges than in "
            f"rides (standard error {error} %; {counted(back.count, 'charge')} beside {counted(out.count, 'ride')}): "
            f"it drifts {low} by so much with every full cycle.",
            confidence=confidence(abs(off), limits["look"], se),
            persistence=1.0,
            count=back.count,
            duration_s=back.duration_s,
            windows=back.windows(largest=off < 0),
            signals=("pack_soc", "pack_current"),
            not_separable="A count that takes off a loss of charging which is not there, or a limit of how fast it may "
            "move: a full discharge and a full charge tell.",
            unsettled=True,
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def plugged(day: float, said: float) -> ExampleSession:
        """A charge that begins low: its first moments are a rest."""
        event = Event("charge_anchor", 0, 8_000_000, "low", {"soc_pct": 6.0, "se_pct": 1.2, "run_ah": 0.0})
        parts = Metric("pack_soc_start_pct", said, "%", 0.5, 1), Metric("pack_soc_end_pct", 100.0, "%", 0.5, 1)
        return one_session(day, "charge", *parts, event)

    def session(day: float, said: float, kind: str = "low", soc: float = 6.0) -> ExampleSession:
        end = 3_600_000_000
        event = Event(
            "charge_anchor", end - 30_000_000, end - 1_000_000, kind, {"soc_pct": soc, "se_pct": 1.2, "run_ah": 1.0}
        )
        return one_session(day, "ride", Metric("pack_soc_end_pct", said, "%", 0.5, 1), event)

    def counting(day: float, share: float, ah: float = 2.4) -> ExampleSession:
        """A ride in which the report of a 30 Ah pack falls by that share of what flows."""
        fallen = round(share * 100.0 * ah / 30.0)
        run = Metric(name="pack_run_ah", value=ah, unit="Ah", se=0.05, n=900, coverage=1.0)
        ends = Metric("pack_soc_start_pct", 80.0, "%", 0.5, 1), Metric("pack_soc_end_pct", 80.0 - fallen, "%", 0.5, 1)
        return one_session(day, "ride" if ah > 0 else "charge", run, *ends)

    return Cases(
        fires_on=(
            record(*(session(d, 34.0) for d in range(3))),
            record(*(counting(d, 0.74, 6.0) for d in range(4))),
            # right at first, wrong since the sixth day
            record(*(counting(d, 1.0, 6.0) for d in range(6)), *(counting(d, 0.7, 6.0) for d in range(6, 10))),
            # off by 15 %: surely off, and likely worth a note
            record(*(counting(d, 0.85, 6.0) for d in range(4))),
            # slower than before, though not slower than the rated capacity asks for
            record(*(counting(d, 1.15, 6.0) for d in range(6)), *(counting(d, 0.97, 6.0) for d in range(6, 10))),
            # a fifth less in charges than in rides, from the first day on
            record(*(counting(d, 1.0, 6.0) if d % 2 else counting(d, 0.8, -6.0) for d in range(10))),
            record(*(session(d, 82.0, "full", 100.0) for d in range(3))),
            record(*(plugged(d, 24.0) for d in range(4))),
            record(session(0, 21.0)),  # 15 % off, seen once: a note
            record(session(0, 34.0)),  # one rest near empty is enough
        ),
        quiet_on=(
            record(*(session(d, 8.0) for d in range(3))),
            record(*(plugged(d, 9.0) for d in range(4))),
            record(session(0, 34.0), session(1, 7.0), session(2, 6.0)),
            # seen at a low rest, and counting right: a pack as rated, one that holds more, a worn one whose electronics
            # know it, and one that was set right once on the way
            record(session(0, 7.0), *(counting(d, 1.0) for d in range(1, 7))),
            record(session(0, 7.0), *(counting(d, 0.94, 6.0) for d in range(1, 7))),
            record(session(0, 7.0), *(counting(d, 1.4, 6.0) for d in range(1, 7))),
            record(session(0, 7.0), *(counting(d, 1.0) for d in range(1, 6)), counting(6, 0.2)),
            # the electronics have learned that the pack holds less
            record(
                session(0, 7.0),
                *(counting(d, 1.0, 6.0) for d in range(1, 6)),
                *(counting(d, 1.18, 6.0) for d in range(6, 10)),
            ),
        ),
        unassessed_on=(
            record(one_session(0, "ride", Metric("pack_soc_end_pct", 50.0, "%", 0.5, 1))),
            record(*(counting(d, 1.0) for d in range(6))),  # counts right, from nobody knows where
            record(session(0, 15.5)),  # seen once, and 9 % off: it may be 15
        ),
    )


RULE = Rule(
    id="soc_off",
    title="The reported state of charge is wrong",
    subsystem="pack",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "the error is surely past `look`, and past `act` within its own error"),
        (Severity.NOTE, "surely off, and likely past `look`"),
    ),
    needs=("pack_soc_end_pct",),
    roles=("pack_soc", "cell_voltage", "pack_current"),
    limits=LIMITS,
    judge=judge,
    meaning="The rider is shown more or less charge than there is. A pack that empties without warning takes drive "
    "and regenerative braking with it.",
    causes=(
        Cause("the current sensor's zero or gain is off", also_found("current_sensor_offset", tells=False)),
        Cause(
            "the electronics count with a capacity the pack no longer has", also_found("pack_capacity_low", tells=False)
        ),
        Cause("the electronics are set to a larger pack", capacity_counted(larger=True)),
        Cause("the pack is never charged to full, where its count would be set right", charged_full(few=True)),
    ),
    bench=(
        "charge to full and check that the report says so",
        "discharge with a known load and compare counted with reported charge",
    ),
    cautions=("Do not rely on the last fifth of the display until this is mended.",),
    source="anchors on steep parts of the open-circuit curve, and its steps; counted current over rated capacity; "
    "limits: see each",
    cases=_cases,
    version=10,
    habit="charges from half to nine tenths in a fleet of five and more; or to full, until the charger ends them, or "
    "rides until little charge is left with a rest after them",
)
