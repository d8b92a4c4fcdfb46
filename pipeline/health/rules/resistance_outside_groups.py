"""Too much resistance between the outer taps and the terminals: main switch, fuse, cable joints.

Physics: the gap between terminal voltage and the sum of groups grows in proportion to current; only what lies
outside the taps can do that. The pack's own groups are the yardstick, so no table of good values is needed;
where the fleet's middle is known, what a vehicle has beyond it is judged as well, and shows sooner. So does what it
has beyond its own earlier rides: no sound joint gains the resistance of a whole group from one ride to the next.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by
from herdbook.pipeline.health.newest_level import since_step
from herdbook.pipeline.health.pooled import Pooled, pool, pooled
from herdbook.pipeline.health.reading import reference
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.sentences import counted, spell, to_error
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, surely_passed, worth_acting
from herdbook.pipeline.vehicle.record import REFERENCE, Metric

# Copper and switches gain 0.4 % a kelvin (copper: IEC 60028; switches alike): so much from ride to ride over 25 K.
BY_WARMTH = 0.1

UNIT = "of the groups' resistance"
LIMITS = (
    Limit("look", 0.4, UNIT, "engineering choice: switch, fuse and cables of a sound pack are well under a quarter"),
    Limit("act", 0.6, UNIT, "engineering choice: more than half as much heat at a few joints as in all cells"),
    Limit(
        "over_fleet",
        1.0,
        "groups",
        "engineering choice: beyond the fleet or its own earlier rides, a joint heats like a whole group",
    ),
    Limit(
        "act_over_fleet",
        2.0,
        "groups",
        "engineering choice: at one joint, the heat of two whole groups; made after an outside simulation's joints had "
        "been told as no more than a note",
    ),
    Limit("spreads", 4.0, "fleet spreads", "engineering choice: with the vehicle's own error, as for heat"),
    Limit("z", 4.0, "standard errors", "engineering choice: under 1 in 30,000 by chance"),
    Limit("least_sessions", 2.0, "sessions", "engineering choice: one ride alone is no finding"),
    Limit("days", 21.0, "days", "engineering choice: the newest stretch that is judged together"),
    Limit("history", 90.0, "days", "engineering choice: earlier rides of its own that it is held against"),
)


@dataclass(frozen=True, slots=True)
class _Beyond:
    """groups: how many groups' resistance the path has beyond a yardstick, and its error; usual_mohm: the yardstick,
    and `words` for it in a sentence."""

    groups: float
    se: float
    usual_mohm: float
    words: str


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if unread(record):
        return NotAssessed(
            "a wire reads groups wrongly, so that what lies outside them is not known: mend the wire first"
        )
    path = pooled(record, "pack_path_mohm", last_days=limits["days"], kinds=("ride", "bench")).get("")
    group = pooled(record, "group_r_load_mohm", last_days=limits["days"]).get("")
    cells = record.profile.pack_figures.cells
    if not cells:
        return NotAssessed("the profile does not say how many groups the pack has: [pack] cells")
    if path is None or group is None or min(path.count, group.count) < limits["least_sessions"]:
        return NotAssessed("terminal voltage, every group and a changing load together in fewer than two rides")
    path = _now(path, limits)
    shares, errors = _by_ride(path, group, cells)
    if shares.size < limits["least_sessions"]:
        return NotAssessed("path and groups were measured in the same ride fewer than two times")
    beyond = _beyond_fleet(record, path, group, limits)
    if beyond is not None and beyond.groups > limits["over_fleet"]:
        return [_against(path, group, beyond, cells, limits)]
    grown = _grown(record, group, cells, limits)
    if grown is not None:
        return [_against(*grown, cells, limits)]
    share, se = pool(shares, errors)
    if not share - limits["look"] > limits["z"] * se:
        return _unsure(share, se, limits["look"]) if share > limits["look"] else []
    act = worth_acting(share, se, look=limits["look"], act=limits["act"], z=limits["z"])
    return [
        _finding(
            path,
            f", {to_error(share, se)[0]} times what all {cells:.0f} groups have.",
            share=share,
            se=se,
            severity=Severity.SERVICE if act else Severity.NOTE,
            limit=surely_passed(share, se, look=limits["look"], act=limits["act"], z=limits["z"]),
            shown=float(np.mean(shares > limits["look"])),
        )
    ]


def _against(path: Pooled, group: Pooled, beyond: _Beyond, cells: float, limits: Mapping[str, float]) -> Finding:
    """Beyond what sound ones differ by. How many groups' worth that is moves with the groups' warmth and is no question
    of whether it is there."""
    act = beyond.groups + beyond.se > limits["act_over_fleet"]
    string = group.value * cells
    share = path.value / string
    surely = beyond.groups - limits["act_over_fleet"] > limits["z"] * beyond.se
    passed = limits["act_over_fleet" if surely else "over_fleet"]
    return _finding(
        path,
        f", {to_error(share, beyond.se / cells)[0]} times what all {cells:.0f} groups have; {beyond.words}. "
        f"What is beyond it heats like {to_error(beyond.groups, beyond.se)[0]} whole groups.",
        share=share,
        se=beyond.se / cells,
        severity=Severity.SERVICE if act else Severity.NOTE,
        limit=beyond.usual_mohm / string + passed / cells,
        shown=float(np.mean(path.values - beyond.usual_mohm > limits["over_fleet"] * group.value)),
    )


def _now(path: Pooled, limits: Mapping[str, float]) -> Pooled:
    """The rides since the last certain step of the path's resistance, where they are enough: what it was before says
    nothing of what it is."""
    now = since_step(path, BY_WARMTH * float(np.median(np.abs(path.values))))
    return now if now.count >= limits["least_sessions"] else path


def _grown(
    record: Record, group: Pooled, cells: float, limits: Mapping[str, float]
) -> tuple[Pooled, Pooled, _Beyond] | None:
    """The rides since the path's resistance rose for good, the groups, and what it has beyond the rides before; None
    when it did not, or by less than sound joints and a wrong sensor of the terminals could make it."""
    whole = pooled(record, "pack_path_mohm", last_days=limits["history"], kinds=("ride", "bench")).get("")
    if whole is None or not group.value > 0:
        return None
    now = _now(whole, limits)
    first = whole.count - now.count
    if first < limits["least_sessions"]:
        return None
    usual, own = pool(whole.values[:first], whole.ses[:first])
    over = now.value - usual
    se = float(np.hypot(BY_WARMTH * abs(usual), np.hypot(own, now.se)))
    wrong = _by_wrong_terminals(record, int(now.starts[0]), group.value * cells, limits)
    groups = (over - wrong) / group.value
    if not (over - wrong > limits["z"] * se and groups > limits["over_fleet"]):
        return None
    beyond = _Beyond(
        groups,
        groups * float(np.hypot(se / (over - wrong), group.se / group.value)),
        usual,
        f"in its {counted(first, 'session')} before {_day(int(now.starts[0]))} it had {usual:.1f} mΩ there",
    )
    return now, group, beyond


def _day(t: int) -> str:
    return f"{datetime.fromtimestamp(t / 1e6, UTC):%Y-%m-%d}"


def _by_wrong_terminals(record: Record, since: int, string_mohm: float, limits: Mapping[str, float]) -> float:
    """What a terminals' reading that has changed its gain since then would add, mOhm: it reads the groups' own
    resistance larger too, and shows without load as a gap to the groups' sum."""
    gap = pooled(record, "pack_sum_gap_pct", last_days=limits["history"], kinds=("ride", "bench")).get("")
    if gap is None or not (gap.starts < since).any() or not (gap.starts >= since).any():
        return 0.0
    moved = np.median(gap.values[gap.starts >= since]) - np.median(gap.values[gap.starts < since])
    return float(abs(moved)) / 100.0 * string_mohm


def _finding(
    path: Pooled, beside: str, *, share: float, se: float, severity: Severity, limit: float, shown: float
) -> Finding:
    value, error = to_error(path.value, path.se)
    return Finding(
        severity=severity,
        item="",
        measured=share,
        limit=limit,
        unit=UNIT,
        se=se,
        statement=f"Between the outer cell taps and the terminals lie {value} mΩ (standard error {error}){beside}",
        confidence=confidence(share, limit, se),
        persistence=shown,
        count=path.count,
        duration_s=path.duration_s,
        windows=path.windows(),
        signals=("pack_voltage", "cell_voltage", "pack_current"),
        not_separable="Switch, fuse or joint: measure the voltage over each at a known current.",
    )


def _unsure(share: float, se: float, look: float) -> NotAssessed:
    return NotAssessed(
        f"the path outside the groups has {spell(share, 'times', se)} what the groups have, over the limit of "
        f"{spell(look, 'times')} but not surely; more rides are needed"
    )


def _beyond_fleet(record: Record, path: Pooled, group: Pooled, limits: Mapping[str, float]) -> _Beyond | None:
    """None when the fleet's path is not known, or when this vehicle differs from it by no more than sound ones do."""
    known = reference(record, "pack_path_mohm", "ride")
    if known is None or not group.value > 0:
        return None
    over, own = path.value - known.value, float(np.hypot(known.spread, path.se))
    if not over > limits["spreads"] * own:
        return None
    groups = over / group.value
    error = groups * float(np.hypot(own / over, group.se / group.value))
    return _Beyond(groups, error, known.value, f"the fleet's have {known.value:.1f} mΩ there")


def _by_ride(path: Pooled, group: Pooled, cells: float) -> tuple[Floats, Floats]:
    """Path over string in each ride, so that what moves both alike from ride to ride is not added up as an error."""
    at = {t: (v, s) for t, v, s in zip(group.starts, group.values, group.ses, strict=True)}
    rows = [(v, s, *at[t]) for t, v, s in zip(path.starts, path.values, path.ses, strict=True) if t in at]
    if not rows:
        return np.empty(0), np.empty(0)
    v, s, g, gs = np.array(rows).T
    share = v / (g * cells)
    return share, np.hypot(s / (g * cells), share * gs / g)


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def ride(day: float, path: float, se: float = 0.3, gap: float = 0.0) -> ExampleSession:
        return one_session(
            day,
            "ride",
            Metric("pack_path_mohm", path, "mOhm", se, 4000),
            Metric("group_r_load_mohm", 2.0, "mOhm", 0.02, 4000),
            Metric("pack_sum_gap_pct", gap, "%", 0.1, 4000),
        )

    def fleet(path: float, spread: float, *rides: ExampleSession) -> Record:
        row = ("pack_path_mohm", "ride", path, spread, "mOhm", 50)
        return record(*rides, reference=pl.DataFrame([row], schema=REFERENCE, orient="row"))

    return Cases(
        fires_on=(
            record(ride(0, 14), ride(1, 15)),
            record(ride(0, 30), ride(1, 28), ride(2, 31)),
            fleet(2.0, 0.3, ride(0, 8.5), ride(1, 8.6), ride(2, 8.4)),
            fleet(2.0, 0.3, ride(0, 12.0), ride(1, 12.2)),
            # since a step, and less than a fleet's vehicles differ by before
            fleet(2.0, 1.2, *(ride(d, 2.0) for d in range(6)), *(ride(d, 7.5) for d in range(6, 9))),
            # no fleet, and more than its own rides had
            record(*(ride(d, 2.0) for d in range(4)), *(ride(d, 7.1) for d in range(4, 7))),
        ),
        quiet_on=(
            record(ride(0, 3), ride(1, 3.4)),
            record(ride(0, 3), ride(1, 25), ride(2, 3), ride(3, 3)),
            record(ride(0, 8.5), ride(1, 8.6), ride(2, 8.4)),  # no fleet to hold it against
            record(*(ride(d, 5.0) for d in range(4)), *(ride(d, 6.4) for d in range(4, 7))),  # by less than a group
            record(*(ride(d, 2.0) for d in range(4)), ride(4, 9.0)),  # in one ride
            record(*(ride(d, 2.0) for d in range(4)), *(ride(d, 4.8, gap=6.0) for d in range(4, 7))),  # a wrong gain
            fleet(2.0, 2.0, ride(0, 8.5), ride(1, 8.6), ride(2, 8.4)),  # sound ones differ as much
            fleet(7.0, 0.3, ride(0, 8.5), ride(1, 8.6), ride(2, 8.4)),
        ),
        unassessed_on=(
            record(ride(0, 10), ride(1, 22), ride(2, 9)),
            record(ride(0, 30)),
            record(one_session(0, "ride")),
        ),
    )


RULE = Rule(
    id="resistance_outside_groups",
    title="High resistance in the pack's main path",
    subsystem="pack",
    severity=Severity.SERVICE,
    when=(
        (
            Severity.SERVICE,
            "surely past `look` and past `act` within its error; or beyond what the fleet or its own earlier rides "
            "show, and by `act_over_fleet` within its error",
        ),
        (
            Severity.NOTE,
            "surely past `look`; or beyond what the fleet or its own earlier rides show, and by `over_fleet`",
        ),
    ),
    needs=("pack_path_mohm", "group_r_load_mohm"),
    roles=("pack_voltage", "cell_voltage", "pack_current"),
    version=7,
    limits=LIMITS,
    judge=judge,
    meaning="Current meets a bad contact outside the cells: it costs power, and the contact heats up.",
    causes=(
        Cause("a loose or corroded terminal", only_by("the voltage drop over each terminal at 20 A or more")),
        Cause("worn contacts of the main switch", only_by("the voltage drop over the closed switch at 20 A or more")),
        Cause("a poor crimp or a damaged fuse", only_by("the voltage drop over each crimp and fuse at 20 A or more")),
    ),
    bench=(
        "measure the voltage over switch, fuse and each joint at 20 A or more",
        "look for discoloured insulation with the pack disconnected",
        "check terminal torque against the maker's figure",
    ),
    cautions=(
        "A bad contact can reach burning heat in seconds at high current: stop riding at smell or smoke.",
        "Only a qualified person works on the main path: it cannot be made voltage-free.",
    ),
    source="Ohm's law on the gap between terminals and groups; limits: see each",
    cases=_cases,
)
