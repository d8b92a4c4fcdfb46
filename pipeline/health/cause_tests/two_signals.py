"""One signal against another at the same moment, and one motor against its twin."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.health.cause import CauseTest, Episode, Evidence
from herdbook.pipeline.health.cause_tests.votes import FEW, Hit, inside, vote
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.vehicle.roles import ROLES

FRESH_S = 0.5  # how old the other signal's newest value may be when two are compared: engineering choice
OF_WEIGHT = 0.25  # of the most asked for in the window, under which a limit says nothing: engineering choice
LEAST_A = 3.0  # torque current under which motors are not compared: engineering choice


def less_than(role: str, asked: str, what: str, than: str, rules_out: bool = True) -> CauseTest:
    """One role is less than another at the same moment of the window (by more than a tenth), while the other is of
    weight: a limit that fades out with the last of what is asked for takes nothing away. what, than: in words."""
    unit = ROLES[role].unit

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        t, v = inside(episode, asked)
        other = episode.signals.at(t, role, hold_s=FRESH_S)
        known = np.isfinite(v) & np.isfinite(other)
        if not known.any():
            return None
        good = np.flatnonzero(known & (v >= OF_WEIGHT * v[known].max()))
        short = v[good] - other[good]
        at = good[int(np.argmax(short))]
        if other[at] < 0.9 * v[at]:
            said = f"{what} is {spell(float(other[at]), unit)} when {than} is {spell(float(v[at]), unit)}"
            return Hit(int(t[at]), said, role)
        return False if good.size >= FEW else None

    return CauseTest((role, asked), lambda e: vote(e, look, (role, asked), f"{what} covers {than}", rules_out, "all"))


def apart(upper: str, lower: str, by: float, words: str, quiet: str, rules_out: bool = False) -> CauseTest:
    """`upper` stands at least `by` above `lower` at the same moment. words: with {by}, {upper} and {lower}, as in "the
    link stands {by} above the pack"."""
    unit = ROLES[upper].unit

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        seen = False
        for item in episode.signals.items(upper):
            t, v = inside(episode, upper, item)
            other = episode.signals.at(t, lower, hold_s=FRESH_S)
            good = np.flatnonzero(np.isfinite(v) & np.isfinite(other))
            if not good.size:
                continue
            seen = seen or good.size >= FEW
            at = good[int(np.argmax(v[good] - other[good]))]
            gap = float(v[at] - other[at])
            if gap >= by:
                said = words.format(
                    by=spell(gap, unit), upper=spell(float(v[at]), unit), lower=spell(float(other[at]), unit)
                )
                return Hit(int(t[at]), said, upper, str(item))
        return False if seen else None

    return CauseTest((upper, lower), lambda e: vote(e, look, (upper, lower), quiet, rules_out, "all"))


def more_than_twin(times: float = 1.25, rules_out: bool = False, weaker: bool = False) -> CauseTest:
    """The finding's motor carries so many times its twin's torque current, over the window; weaker: so many times less.

    rules_out: where it does not, by far (within a tenth), the cause is excluded."""

    def look(episode: Episode, evidence: Evidence) -> Hit | bool | None:
        items = episode.signals.items("motor_current")
        mine = next((i for i in items if str(i) and str(i) in evidence.item), None)
        if mine is None or len(items) != 2:
            return None
        other = next(i for i in items if i != mine)
        t, v = inside(episode, "motor_current", mine)
        twin = episode.signals.at(t, "motor_current", other, FRESH_S)
        good = np.isfinite(v) & np.isfinite(twin)
        a, b = (float(np.mean(np.abs(x[good]))) if good.any() else 0.0 for x in (v, twin))
        if good.sum() < FEW or max(a, b) < LEAST_A:
            return None
        high, low = (b, a) if weaker else (a, b)
        if high >= times * max(low, 1e-9):
            words = f"the {mine} motor carries {spell(a, 'A')} and the {other} one {spell(b, 'A')}, on average"
            return Hit(int(t[good][0]), words, "motor_current", str(mine))
        return False

    quiet = "both motors carry nearly the same current"
    return CauseTest(("motor_current",), lambda e: vote(e, look, ("motor_current",), quiet, rules_out, "all"))


def motors_alike(within: float = 0.1) -> CauseTest:
    """Both motors carry the same torque current in the window, within a share: nothing is wrong with one alone."""

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        items = episode.signals.items("motor_current")
        if len(items) != 2:
            return None
        t, v = inside(episode, "motor_current", items[0])
        twin = episode.signals.at(t, "motor_current", items[1], FRESH_S)
        good = np.isfinite(v) & np.isfinite(twin)
        a, b = (float(np.mean(np.abs(x[good]))) if good.any() else 0.0 for x in (v, twin))
        if good.sum() < FEW or max(a, b) < LEAST_A:
            return None
        if abs(a - b) > within * max(a, b):
            return False
        words = f"the {items[0]} motor carries {spell(a, 'A')} and the {items[1]} one {spell(b, 'A')}, on average"
        return Hit(int(t[good][0]), words, "motor_current", str(items[0]))

    return CauseTest(("motor_current",), lambda e: vote(e, look, ("motor_current",), "the motors differ", False, "all"))


def while_highest(role: str, of: str, level: float, words: str, quiet: str) -> CauseTest:
    """The role reads `level` or more at the moment at which another is highest. words: with {value} and {highest}."""

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        best: tuple[float, int] | None = None
        for item in episode.signals.items(of):
            t, v = inside(episode, of, item)
            good = np.flatnonzero(np.isfinite(v))
            if good.size:
                k = good[int(np.argmax(v[good]))]
                if best is None or v[k] > best[0]:
                    best = float(v[k]), int(t[k])
        if best is None:
            return None
        value = float(episode.signals.at(np.array([best[1]]), role)[0])
        if not np.isfinite(value):
            return None
        said = words.format(value=spell(value, ROLES[role].unit), highest=spell(best[0], ROLES[of].unit))
        return Hit(best[1], said, role) if value >= level else False

    return CauseTest((role, of), lambda e: vote(e, look, (role, of), quiet, rules_out=False))


def over_top_speed() -> CauseTest:
    """The vehicle is as fast as its maker says it can be, or faster. Slower proves nothing: a controller may weaken the
    field, and a motor's voltage pass the bus below that speed."""

    def look(episode: Episode, evidence: Evidence) -> Hit | bool | None:
        top = evidence.record.profile.vehicle_figures.top_speed_kmh if evidence.record is not None else None
        t, v = inside(episode, "vehicle_speed")
        good = np.flatnonzero(np.isfinite(v))
        if not top or good.size < FEW:
            return None
        k = good[int(np.argmax(v[good]))]
        kmh = 3.6 * float(v[k])
        said = f"at {spell(kmh, 'km/h')}; the maker's top speed is {spell(top, 'km/h')}"
        return Hit(int(t[k]), said, "vehicle_speed") if kmh >= top else False

    quiet = "it is slower than its top speed"
    return CauseTest(("vehicle_speed",), lambda e: vote(e, look, ("vehicle_speed",), quiet, rules_out=False))
