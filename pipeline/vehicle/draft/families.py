"""Signals that are many of one kind: groups of a pack, sensors, balancers, motors; by numbers or letters in names."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from herdbook.pipeline.vehicle.draft.concepts import concepts, words
from herdbook.pipeline.vehicle.draft.fit import fit
from herdbook.pipeline.vehicle.draft.wanted import Wanted

if TYPE_CHECKING:
    from herdbook.decoders import Message, Signal

Placed = tuple[tuple[int, ...], str, str]  # numbers in its name and its message's, message, signal
LONE, FEW = 0.6, 0.85  # a family of one; numbers with gaps
_SIDES = {"left": {"left", "l", "lh", "links", "mcl"}, "right": {"right", "r", "rh", "rechts", "mcr"}}
_ENDS = {
    "front": {"front", "frt", "f", "vorn", "vorne", "mcf"},
    "rear": {"rear", "back", "r", "rr", "hinten", "mcr"},
}
LETTERS = 0.75  # F and R may be front and rear, or not: to be looked at
_COUNTING = re.compile(r"[a-d]|\d+")  # motors A and B, 1 and 2


@dataclass(frozen=True, slots=True)
class Family:
    """Members in order. sides: "left" and "right", or "front" and "rear", for members that say so; else none and they
    count from 1."""

    role: str
    members: tuple[tuple[str, str], ...]  # message, signal
    sure: float
    sides: tuple[str, ...] = ()


def counted(wanted: Wanted, messages: Iterable[Message]) -> list[Family]:
    """Families of a role that counts items, the surest first."""
    groups: dict[str, list[tuple[Placed, float]]] = defaultdict(list)
    alone: list[Family] = []  # one signal, and another of its message says which item it is about
    for message in messages:
        for signal in message.signals:
            if signal.selector:
                continue
            sure = fit(wanted, message, signal)
            core, numbers = _core(signal.name)
            if sure and not numbers and index_signal(message, signal) is not None:
                alone.append(Family(wanted.role, ((message.name, signal.name),), sure * LONE))
            if sure and numbers:
                around, place = _core(message.name)
                groups[f"{around}.{core}"].append((((*place, *numbers), message.name, signal.name), sure))
    merged = _over_messages(groups)
    found = alone
    for some in merged:
        ranked = sorted(some, key=lambda pair: pair[0])
        sure = min(s for _, s in ranked)
        last = [placed[0][-1] for placed, _ in ranked]
        if len(ranked) == 1:
            sure *= LONE
        elif len(set(last)) == len(last) and max(last) - min(last) + 1 != len(last):
            sure *= FEW
        found.append(Family(wanted.role, tuple((m, s) for (_, m, s), _ in ranked), sure))
    return sorted(found, key=lambda f: (-f.sure, -len(f.members)))


def _core(name: str) -> tuple[str, tuple[int, ...]]:
    """The name with its numbers as #, and the numbers; a last letter counts where a short stem stands before it."""
    numbers = tuple(int(n) for n in re.findall(r"\d+", name))
    core = re.sub(r"\d+", "#", name)
    letter = re.fullmatch(r"(.*(?:[Cc]ell|CELL|[Gg]roup)_?)([A-Z])", core)
    if letter and not numbers:
        return f"{letter[1]}#", (ord(letter[2]) - ord("A"),)
    return core, numbers


def _over_messages(groups: dict[str, list[tuple[Placed, float]]]) -> list[list[tuple[Placed, float]]]:
    """Families whose signals are named alike in several messages are one, when their numbers go on or repeat whole."""
    by_core: dict[str, list[list[tuple[Placed, float]]]] = defaultdict(list)
    for key in sorted(groups):
        by_core[key.split(".", 1)[1]].append(groups[key])
    out = []
    for some in by_core.values():
        own = [{placed[0][-1] for placed, _ in part} for part in some]
        apart = sum(map(len, own)) == len(set().union(*own))
        if len(some) > 1 and apart:
            out.append([((placed[0][-1:], placed[1], placed[2]), s) for part in some for placed, s in part])
        else:
            out += some
    return out


def sided(wanted: Wanted, messages: Sequence[Message]) -> list[Family]:
    """One motor, one a side, or motors that count; the surest first."""
    groups: dict[tuple[str, str], list[tuple[str, str, float]]] = defaultdict(list)
    for message in messages:
        for signal in message.signals:
            if not signal.selector and (sure := fit(wanted, message, signal)):
                groups[_bare(message.name), _bare(signal.name)].append((message.name, signal.name, sure))
    found = []
    for some in groups.values():
        sides = {_side(m, s): (m, s, sure) for m, s, sure in some}
        least = min(sure for _, _, sure in some)
        if set(sides) == {"left", "right"} and len(some) == 2:
            pair = tuple((sides[side][0], sides[side][1]) for side in ("left", "right"))
            found.append(Family(wanted.role, pair, least, ("left", "right")))
            continue
        ends = {_end(m, s): (m, s) for m, s, _ in some}
        if set(ends) == set(_ENDS) and len(some) == 2:
            said = all(any(len(w) > 1 for w in _end_words(*ends[end], end)) for end in _ENDS)
            found.append(Family(wanted.role, (ends["front"], ends["rear"]), least * (said or LETTERS), tuple(_ENDS)))
            continue
        ranked = sorted(some, key=lambda one: (_count(one[1]), _count(one[0]), one[1], one[0]))
        if len({(_count(m), _count(s)) for m, s, _ in some}) == len(some):
            one_of = _side(*some[0][:2]) or _end(*some[0][:2]) or _count(some[0][1])  # its twin is not among them
            lone = LONE if len(some) == 1 and one_of else 1.0
            found.append(Family(wanted.role, tuple((m, s) for m, s, _ in ranked), least * lone))
    return sorted(found, key=lambda f: (-f.sure, f.members))


def _side(message: str, signal: str) -> str:
    for name in (signal, message):
        here = [side for side, known in _SIDES.items() if known & set(words(name))]
        if len(here) == 1:
            return here[0]
    return ""


def _end(message: str, signal: str) -> str:
    here = [end for end in _ENDS if _end_words(message, signal, end)]
    return here[0] if len(here) == 1 else ""


def _end_words(message: str, signal: str, end: str) -> set[str]:
    return _ENDS[end] & {*words(message), *words(signal)}


def _bare(name: str) -> str:
    """Words without side, end and number."""
    either = set[str]().union(*_SIDES.values(), *_ENDS.values())
    return " ".join(w for w in words(name) if w not in either and not _COUNTING.fullmatch(w))


def _count(name: str) -> tuple[str, ...]:
    return tuple(w.zfill(4) for w in words(name) if _COUNTING.fullmatch(w))


def index_signal(message: Message, signal: Signal) -> Signal | None:
    """The signal of the same message that says which one `signal` is about, where there is just one such."""
    near = [
        s
        for s in message.signals
        if s is not signal
        and "count" in concepts(s.name)
        and not s.unit.strip()
        and 2 <= s.length <= 16
        and s.scale == 1
    ]
    return near[0] if len(near) == 1 else None
