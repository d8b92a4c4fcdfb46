"""What a wire would show that the part behind it would not: two neighbours read wrongly by one tap, a motor that pulls
as well as its twin and only brakes worse, a zero that stepped from one session to the next."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.cause import CauseTest, Episode, Evidence, Seen, Standing
from herdbook.pipeline.health.cause_tests.two_signals import FRESH_S, LEAST_A
from herdbook.pipeline.health.cause_tests.votes import FEW, Hit, inside, vote
from herdbook.pipeline.health.change import upward_step
from herdbook.pipeline.health.reading import metric_rows
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.times import column_micros

OFF_V = 1.0  # how far each of the two must read from the median group: engineering choice
SUM_V = 0.3  # how near the two together come to what two others have: engineering choice
ALIKE = 0.15  # share by which two motors may differ while they pull: engineering choice
STEP_SURE, EACH_SIDE = 5.0, 2  # standard errors of the best of many places to cut, and sessions on each side of it


def shared_tap() -> CauseTest:
    """Two neighbours read far too low and far too high at the same moment while together they are right: what both are
    measured by is the tap between them. A channel of the monitor that fails reads its own group wrongly and no other.

    Source: Kirchhoff's voltage law in a series string.
    """

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        groups = sorted(episode.signals.items("cell_voltage"), key=int)
        if len(groups) < 4:
            return None
        t, _v = inside(episode, "cell_voltage", groups[0])
        if t.size < FEW:
            return None
        volts = np.array([episode.signals.at(t, "cell_voltage", g, FRESH_S) for g in groups])
        median = np.nanmedian(volts, axis=0)
        off = volts - median
        gap = np.abs(off[:-1] + off[1:])
        pair = (np.abs(off[:-1]) > OFF_V) & (np.abs(off[1:]) > OFF_V) & (gap < SUM_V)
        found = np.argwhere(pair)
        if not found.size:
            return False
        g, k = (int(x) for x in found[0])
        a, b = volts[g, k], volts[g + 1, k]
        said = f"groups {groups[g]} and {groups[g + 1]} read {a:.2f} and {b:.2f} V, together as two others"
        return Hit(int(t[k]), said, "cell_voltage", str(groups[g]))

    quiet = "no neighbour reads wrongly the other way"
    return CauseTest(("cell_voltage",), lambda e: vote(e, look, ("cell_voltage",), quiet, rules_out=False))


def pulls_like_its_twin() -> CauseTest:
    """Beside the window, while both motors pull, the finding's motor carries as much current as its twin: its wires,
    windings and power stage are whole, and what differs is how it is told to brake."""

    def look(episode: Episode, evidence: Evidence) -> Hit | bool | None:
        items = episode.signals.items("motor_current")
        mine = next((i for i in items if str(i) and str(i) in evidence.item), None)
        if mine is None or len(items) != 2:
            return None
        s = episode.signals.series("motor_current", mine)
        beside = (s.t < episode.start) | (s.t > episode.end)
        twin = episode.signals.at(s.t, "motor_current", next(i for i in items if i != mine), FRESH_S)
        good = beside & np.isfinite(s.v) & np.isfinite(twin) & (np.maximum(s.v, twin) >= LEAST_A)
        if good.sum() < FEW:
            return None
        a, b = float(s.v[good].mean()), float(twin[good].mean())
        if abs(a - b) > ALIKE * max(a, b):
            return False
        words = f"beside the braking both motors pull alike: the {mine} one with {spell(a, 'A')} of {spell(b, 'A')}"
        return Hit(int(s.t[good][0]), words, "motor_current", str(mine))

    quiet = "it pulls with another current than its twin, too"
    return CauseTest(("motor_current",), lambda e: vote(e, look, ("motor_current",), quiet, rules_out=False))


def stepped(name: str, what: str, role: str) -> CauseTest:
    """The figure stood at one value and at another since a session: it stepped, and did not drift. what: in words."""

    def judge(evidence: Evidence) -> Seen:
        rows = None if evidence.record is None else metric_rows(evidence.record, name)
        if rows is None or rows.height < 2 * EACH_SIDE:
            n = 0 if rows is None else rows.height
            return Seen(Standing.NOT_RECORDED, f"{what} was read {n} times: too few to see a step", role=role)
        rows = rows.sort("start_t")
        y = rows["value"].to_numpy()
        se = rows["se"].fill_null(0.0).to_numpy()
        step = upward_step(*_upward(y, se), EACH_SIDE)
        if step is None or step.z < STEP_SURE or _still_moves(y[step.first :], step.rise):
            return Seen(Standing.NOT_SEEN, f"{what} shows no step", role=role)
        unit = str(rows["unit"][0])
        before, after = float(np.median(y[: step.first])), float(np.median(y[step.first :]))
        said = f"{what} stepped from {spell(before, unit)} to {spell(after, unit)} between two sessions"
        return Seen(Standing.SUPPORTED, said, int(column_micros(rows["start_t"])[step.first]), role)

    return CauseTest((), judge)


def _upward(y: Floats, se: Floats) -> tuple[Floats, Floats]:
    """The values turned so that the later half is the higher one, and errors that are above nothing."""
    half = y.size // 2
    turned = y if np.median(y[half:]) >= np.median(y[:half]) else -y
    return turned, np.maximum(se, 1e-6)


def _still_moves(after: Floats, rise: float) -> bool:
    """What goes on growing after the step is a drift: its ends differ by a third of the step."""
    third = max(1, after.size // 3)
    return bool(abs(np.median(after[-third:]) - np.median(after[:third])) > rise / 3)
