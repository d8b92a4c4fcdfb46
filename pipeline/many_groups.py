"""One row for what a rule says of many groups of one pack: ten groups that fell below their limit are one thing.

Lists for people are joined, the catalogue and JSON keep every finding. A joined sentence is that of each group, with
the range of every number: "Each of groups 1 to 10 fell to 0.12 to 0.79 V". Sentences that say something else besides,
and findings that people have dealt with differently, stay rows of their own.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Generic, TypeVar

T = TypeVar("T")

LEAST = 3  # two rows are no crowd (engineering choice)
_GROUP = re.compile(r"(?:pack (\d+), )?cell (\d+)")
_PACK = re.compile(r"(Pack \d+): ")
_NUMBER = re.compile(r"(?<![\w.-])[-+]?\d+(?:\.\d+)?(?![\w-])")  # and no part of a day
_COUNTED = re.compile(r"(\d+) times?\b")


@dataclass(frozen=True, slots=True)
class Told(Generic[T]):
    """One row of a list. rows: what it stands for, the first one leading; item and statement: of all of them."""

    item: str
    statement: str
    rows: tuple[T, ...]

    @property
    def row(self) -> T:
        return self.rows[0]


def told_once(
    rows: Sequence[T], same: Callable[[T], Hashable], item: Callable[[T], str], statement: Callable[[T], str]
) -> list[Told[T]]:
    """Rows in their order, those of LEAST groups and more joined where the first of them stands. same: what must be
    equal besides, such as vehicle, rule and severity."""
    keys = [_key(row, same, item, statement) for row in rows]
    crowds: dict[Hashable, list[T]] = {}
    for key, row in zip(keys, rows, strict=True):
        crowds.setdefault(key, []).append(row)
    out = []
    for key, row in zip(keys, rows, strict=True):
        crowd = crowds[key]
        if len(crowd) < LEAST:
            out.append(Told(item(row), statement(row), (row,)))
        elif row is crowd[0]:
            crowd = sorted(crowd, key=lambda r: _place(item(r)))
            pack = _place(item(row))[0]
            numbers = [_place(item(r))[1] for r in crowd]
            about = f"pack {pack}, {groups_of(numbers)}" if pack else groups_of(numbers)
            out.append(Told(about, _joined([statement(r) for r in crowd], numbers), tuple(crowd)))
    return out


def groups_of(numbers: Sequence[int]) -> str:
    """`groups 1 to 10`, `groups 2, 5 and 7 to 9`; numbers rising."""
    runs = []
    for _, run in groupby(enumerate(numbers), lambda pair: pair[1] - pair[0]):
        first, *rest = (number for _, number in run)
        runs += [f"{first} to {rest[-1]}"] if len(rest) > 1 else [str(first), *map(str, rest)]
    return f"groups {', '.join(runs[:-1])} and {runs[-1]}" if len(runs) > 1 else f"groups {runs[0]}"


def _place(item: str) -> tuple[int, int]:
    """Pack (0: there is but one) and group; group -1 of what is no group."""
    found = _GROUP.fullmatch(item)
    return (int(found[1] or 0), int(found[2])) if found else (0, -1)


def _key(row: T, same: Callable[[T], Hashable], item: Callable[[T], str], statement: Callable[[T], str]) -> Hashable:
    """A joined sentence must be everyone's: the same words, whatever the numbers. What is no group is alone."""
    pack, group = _place(item(row))
    return (same(row), pack, _form(statement(row))) if group >= 0 else id(row)


def _form(text: str) -> str:
    return _NUMBER.sub("#", _COUNTED.sub(r"\1 times", text))


def _joined(texts: Sequence[str], numbers: Sequence[int]) -> str:
    """The sentence of all, with the groups where it names its own, else before it."""
    texts = [_COUNTED.sub(r"\1 times", text) for text in texts]
    columns = zip(*(_NUMBER.findall(text) for text in texts), strict=True)
    ranges = [_range(column) for column in columns]
    parts = _NUMBER.split(texts[0])
    text = parts[0] + "".join(value + rest for value, rest in zip(ranges, parts[1:], strict=True))
    text = re.sub(r"(?<![\d.])1 times\b", "1 time", text)
    groups, own = groups_of(numbers), _range([str(number) for number in numbers])
    if found := re.search(rf"\b([Gg])roup {own}\b", text):
        return f"{text[: found.start()]}{'Each' if found[1] == 'G' else 'each'} of {groups}{text[found.end() :]}"
    if pack := _PACK.match(text):
        return f"{pack[1]}, {groups}: {text[pack.end() :]}"
    return f"{groups[0].upper()}{groups[1:]}: {text}"


def _range(values: Sequence[str]) -> str:
    low, high = min(values, key=float), max(values, key=float)
    return low if float(low) == float(high) else f"{low} to {high}"
