"""The tests that causes are told by: a state in a window, a bit of a fault word, one signal against a level or another,
another finding of the same vehicle.

Windows vote. A cause is supported when at least half of the windows in which it could be seen show it, contradicted
when none does and its absence rules the cause out, else open. A window with too few samples inside says nothing when it
shows nothing: a slow message may have missed it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.health.cause import CauseTest, Episode, Evidence, Seen, Standing
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.vehicle.fault_codes import is_code
from herdbook.pipeline.vehicle.roles import ROLES

ENOUGH = 0.5  # of the windows: engineering choice
FEW = 3  # samples of a window that may have missed what came and went between them: engineering choice
FRESH_S = 0.5  # how old the other signal's newest value may be when two are compared: engineering choice
NAMES = {"regen_state": "brake's state", "contactor_state": "contactor", "bms_state": "pack's state"}


@dataclass(frozen=True, slots=True)
class Hit:
    """A sample that speaks for a cause, in words."""

    t: int
    words: str
    role: str
    item: str = ""


Look = Callable[[Episode, Evidence], "Hit | bool | None"]  # a hit, False: none, None: nothing to be seen


def reads_in(role: str, *states: str, rules_out: bool = True, late: bool = False) -> CauseTest:
    """The state role reads one of these in the window. rules_out: a window that never does speaks against it. late: in
    its second half, for what has to last."""
    index = {float(ROLES[role].states.index(s)) for s in states}
    name = NAMES.get(role, role.replace("_", " "))

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        t, v = _inside(episode, role, late=late)
        at = np.flatnonzero(np.isin(v, list(index)))
        if not at.size:
            return False if t.size >= FEW else None
        word = ROLES[role].states[int(v[at[0]])]
        return Hit(int(t[at[0]]), f"the {name} reads “{word}”", role)

    quiet = f"the {name} never reads {' or '.join(f'“{s}”' for s in states)}"
    return CauseTest((role,), lambda e: _vote(e, look, (role,), quiet, rules_out))


def bits_set(*roles: str) -> CauseTest:
    """A fault word has a bit set in the window. None set is no proof of anything: not every fault has a bit."""

    def look(episode: Episode, evidence: Evidence) -> Hit | bool | None:
        seen = False
        for role in roles:
            for item in episode.signals.items(role):
                t, v = _inside(episode, role, item)
                seen = seen or t.size >= FEW
                at = np.flatnonzero(np.nan_to_num(v) > 0)
                if at.size:
                    words = _bits(int(v[at[0]]), evidence, role, item)
                    return Hit(int(t[at[0]]), words, role, str(item))
        return False if seen else None

    quiet = "no fault bit was set"
    return CauseTest(tuple(roles), lambda e: _vote(e, look, roles, quiet, rules_out=False))


def _bits(value: int, evidence: Evidence, role: str, item: int | str) -> str:
    names = evidence.bits.get((role, item), {})
    set_ = [b for b in range(value.bit_length()) if value >> b & 1]
    whose = f"{role.replace('_', ' ')} {item}".strip()
    if any(is_code(word) for word in names.values()):
        return f"the {whose} reads {', '.join(names.get(b, f'bit {b}') for b in set_)}"
    said = [f"“{names[b]}” (bit {b})" if b in names else f"bit {b}" for b in set_]
    return f"the {whose} reads {value}: {', '.join(said)}"


def under(role: str, level: float, what: str, rules_out: bool = True, late: bool = False) -> CauseTest:
    """The role falls to `level` or less in the window. what: in words, as in "the charge limit". late: in its second
    half, for what needs a moment to follow."""
    return _level(role, level, what, rules_out, low=True, late=late)


def over(role: str, level: float, what: str, rules_out: bool = True, late: bool = False) -> CauseTest:
    """The role reaches `level` or more in the window."""
    return _level(role, level, what, rules_out, low=False, late=late)


def _level(role: str, level: float, what: str, rules_out: bool, low: bool, late: bool) -> CauseTest:
    unit = ROLES[role].unit

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        seen = False
        for item in episode.signals.items(role):
            t, v = _inside(episode, role, item, late)
            good = np.flatnonzero(np.isfinite(v))
            if not good.size:
                continue
            seen = seen or good.size >= FEW
            at = good[int(np.argmin(v[good]) if low else np.argmax(v[good]))]
            if v[at] <= level if low else v[at] >= level:
                verb = "falls to" if low else "reaches"
                return Hit(int(t[at]), f"{what} {verb} {spell(float(v[at]), unit)}", role, str(item))
        return False if seen else None

    quiet = f"{what} stays {'above' if low else 'under'} {spell(level, unit)}"
    return CauseTest((role,), lambda e: _vote(e, look, (role,), quiet, rules_out, "all"))


def less_than(role: str, asked: str, what: str, than: str, rules_out: bool = True) -> CauseTest:
    """One role is less than another at the same moment of the window (by more than a tenth). what, than: in words."""
    unit = ROLES[role].unit

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        t, v = _inside(episode, asked)
        other = episode.signals.at(t, role, hold_s=FRESH_S)
        good = np.flatnonzero(np.isfinite(v) & np.isfinite(other))
        if not good.size:
            return None
        short = v[good] - other[good]
        at = good[int(np.argmax(short))]
        if other[at] < 0.9 * v[at]:
            said = f"{what} is {spell(float(other[at]), unit)} when {than} is {spell(float(v[at]), unit)}"
            return Hit(int(t[at]), said, role)
        return False if good.size >= FEW else None

    return CauseTest((role, asked), lambda e: _vote(e, look, (role, asked), f"{what} covers {than}", rules_out, "all"))


def also_found(*rules: str, same_item: bool = False, rules_out: bool = False) -> CauseTest:
    """Another rule has a finding on this vehicle. same_item: about the same group or side.

    rules_out: that the rules were all judged and found nothing speaks against the cause."""

    def judge(evidence: Evidence) -> Seen:
        for rule in rules:
            items = evidence.found.get(rule, frozenset())
            if items and (not same_item or evidence.item in items):
                return Seen(Standing.SUPPORTED, "a finding of its own says so", rule=rule)
        if all(rule in evidence.refused for rule in rules):
            return Seen(Standing.NOT_RECORDED, "the rule that would tell could not judge this vehicle", rule=rules[0])
        if rules_out and not any(rule in evidence.refused for rule in rules):
            return Seen(Standing.CONTRADICTED, "it was looked for and not found", rule=rules[0])
        return Seen(Standing.OPEN, "it was looked for and not found")

    return CauseTest((), judge)


def _inside(episode: Episode, role: str, item: int | str = "", late: bool = False) -> tuple[Times, Floats]:
    """Samples of a role inside the window itself, or in its second half."""
    s = episode.signals.series(role, item)
    start = (episode.start + episode.end) // 2 if late else episode.start
    a, b = np.searchsorted(s.t, [start, episode.end + 1])
    return s.t[a:b], s.v[a:b]


def _vote(
    evidence: Evidence, look: Look, roles: Sequence[str], quiet: str, rules_out: bool, windows: str = "any of"
) -> Seen:
    """quiet: what is said where no window shows it, of `windows`: "any of" them or "all"."""
    answers = [look(episode, evidence) for episode in evidence.episodes]
    known = [a for a in answers if a is not None]
    hits = [a for a in known if isinstance(a, Hit)]
    if not known:
        recorded = any(e.signals.has(role) for e in evidence.episodes for role in roles)
        missing = " and ".join(role.replace("_", " ") for role in roles)
        words = f"{missing}: too few samples fall into the windows" if recorded else f"{missing}: not recorded"
        return Seen(Standing.NOT_RECORDED, words, role=roles[0])
    of = f" in {len(hits)} of {len(known)}" if len(known) > 1 else ""
    if hits and len(hits) >= ENOUGH * len(known):
        first = hits[0]
        return Seen(Standing.SUPPORTED, f"{first.words}{of}", first.t, first.role, first.item)
    if hits:
        first = hits[0]
        return Seen(Standing.OPEN, f"{first.words}{of}", first.t, first.role, first.item)
    words = f"{quiet}{f' in {windows} {len(known)}' if len(known) > 1 else ''}"
    return Seen(Standing.CONTRADICTED if rules_out else Standing.OPEN, words, role=roles[0])
