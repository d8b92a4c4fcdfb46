"""Packs side by side in DBC files: the messages of one are there again under names that differ by a number or a letter
alone (BMS1_Pack, BMS2_Pack; BMS_Cells, BMS2_Cells; BATT_A_State, BATT_B_State).

A pair of messages may as well be two motors, or two pages of the same groups: packs they are when the message with the
pack's voltage or current is among them, with a signal for each of the first's at the same place.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from herdbook.pipeline.vehicle.draft.guess import CERTAIN, Guess, guesses
from herdbook.pipeline.vehicle.packs import PACK_ROLES

if TYPE_CHECKING:
    from herdbook.decoders import Message

TOTALS = ("pack_voltage", "pack_current")  # a pack has one of them, its pages of groups have none
_MARK = re.compile(r"(?<=[A-Za-z])_?\d{1,2}(?![a-z0-9])|(?<![A-Za-z0-9])[A-H](?![A-Za-z0-9])")


@dataclass(frozen=True, slots=True)
class Twins:
    """Messages alike but for one number or letter of their names, by that; before, after: what stands around it."""

    before: str
    after: str
    by_mark: dict[str, str]


def twin_packs(messages: Sequence[Message]) -> list[set[str]]:
    """The messages of each pack, the first's before all; nothing where there is but one."""
    found, totals = _twins(messages), _with_totals(messages)
    led = [t for t in found if totals & set(t.by_mark.values())]
    if not led:
        return []
    first = max(led, key=lambda t: len(t.by_mark))
    marks = sorted(first.by_mark, key=_order)
    beside = (first.before, first.after)
    mine = [t for t in found if (t.before == beside[0] or t.after == beside[1]) and set(marks) <= set(t.by_mark)]
    return [{t.by_mark[mark] for t in mine} for mark in marks]


def _twins(messages: Sequence[Message]) -> list[Twins]:
    """A name without a number stands for the first of those that have one."""
    shape = {m.name: tuple(sorted((s.name, s.first_bit, s.length) for s in m.signals)) for m in messages}
    found: dict[tuple[str, str, object], Twins] = {}
    for name, own in shape.items():
        for mark in _MARK.finditer(name):
            before, after = name[: mark.start()], name[mark.end() :]
            twins = found.setdefault((before, after, own), Twins(before, after, {}))
            twins.by_mark[mark[0].strip("_")] = name
            if shape.get(before + after) == own:
                twins.by_mark[""] = before + after
    return [t for t in found.values() if len(t.by_mark) > 1]


def of_packs(messages: Sequence[Message]) -> tuple[list[Guess], list[list[Guess]]]:
    """Guesses of the vehicle with its first pack, and those of each further pack that are its own."""
    packs = twin_packs(messages)
    if not packs:
        return guesses(messages), []
    every = set().union(*packs)
    each = [guesses([m for m in messages if m.name in own or m.name not in every]) for own in packs]
    further = [[g for g in some if _own(g, own)] for some, own in zip(each[1:], packs[1:], strict=True)]
    return each[0], further


def _own(guess: Guess, messages: set[str]) -> bool:
    return guess.role in PACK_ROLES and all(message in messages for message, _ in guess.family.members)


def _with_totals(messages: Sequence[Message]) -> set[str]:
    """Messages that hold what looks like the voltage or current of a pack."""
    found: set[str] = set()
    for guess in guesses(messages):
        if guess.role in TOTALS:
            found |= {message for message, _ in guess.family.members} | {
                r.message for r in guess.rivals if r.sure >= CERTAIN
            }
    return found


def _order(mark: str) -> tuple[int, str]:
    return (int(mark), "") if mark.isdigit() else (0, mark)
