"""A history against what the store would write today: the whole document, and what of it may vary.

This is the one place that says what may vary. Everything else is compared, in its order, and each difference is told.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any

from herdbook.pipeline.reports.history.lines.summary import AMONG
from herdbook.pipeline.reports.page.signature import canonical

Document = dict[str, Any]
VARIES = {  # facts about the file that a later reader need not find again; the signature alone speaks for them
    "scan": "a later scan that changed nothing has another name",
    "tool": "the program may be newer",
    "public_key": "the store may sign with another key by now",
    "seal": "follows from the others",
    "signature": "follows from the others",
}
VARYING_LINES = (("herd", None), ("short", AMONG))  # section and topic (None: any): counts over other vehicles
NUMBERED = "no"  # of a line: follows from the lines before it
SHOWN = 160  # characters of a value


@dataclass(frozen=True, slots=True)
class Compared:
    """differ: each difference in words. moved: numbers of the lines in which only counts over the fleet moved."""

    differ: tuple[str, ...]
    moved: tuple[str, ...]


def compared(file: Document, store: Document) -> Compared:
    """file: what a history says. store: the same written anew, in the same shape."""
    differ = [*_facts(file, store)]
    differ += _rows("line", _own(file["lines"]), _own(store["lines"]))
    differ += _rows("log", file["logs"], store["logs"])
    known = [_bare(line) for line in store["lines"]]
    moved = [f"line {line[NUMBERED]}" for line in file["lines"] if varies(line) and _bare(line) not in known]
    return Compared(tuple(differ), tuple(moved))


def varies(line: Document) -> bool:
    """True for counts over other vehicles, which move with the fleet."""
    return any(
        line.get("section") == section and topic in (None, line.get("topic")) for section, topic in VARYING_LINES
    )


def _own(lines: list[Document]) -> list[Document]:
    return [line for line in lines if not varies(line)]


def _facts(file: Document, store: Document) -> Iterator[str]:
    for name in sorted({*file, *store} - {*VARIES, "lines", "logs"}):
        if name not in store:
            yield f"{name}: no history has that, the file has {_shown(file[name])}"
        elif name not in file:
            yield f"{name}: missing in the file"
        elif canonical({name: file[name]}) != canonical({name: store[name]}):
            yield f"{name}: the file has {_shown(file[name])}, the store {_shown(store[name])}"


def _rows(name: str, file: list[Document], store: list[Document]) -> Iterator[str]:
    keys = [_bare(row) if name == "line" else canonical(row) for row in file]
    others = [_bare(row) if name == "line" else canonical(row) for row in store]
    for what, a, b, c, d in SequenceMatcher(None, keys, others, autojunk=False).get_opcodes():
        if what == "equal":
            continue
        for at in range(max(b - a, d - c)):
            mine = file[a + at] if a + at < b else None
            theirs = store[c + at] if c + at < d else None
            yield from _pair(name, mine, theirs)


def _pair(name: str, mine: Document | None, theirs: Document | None) -> Iterator[str]:
    if mine is None or theirs is None:
        row = mine or theirs or {}
        where = "is not in the store" if theirs is None else "of the store is not in the file"
        yield f"{name} {row.get(NUMBERED)} {where}: {_shown(_said(row))}"
        return
    for field in sorted({*mine, *theirs}):
        a, b = mine.get(field), theirs.get(field)
        if canonical({"": a}) != canonical({"": b}) and not (name == "line" and field == NUMBERED):
            yield f"{name} {mine.get(NUMBERED)}, {field}: the file has {_shown(a)}, the store {_shown(b)}"


def _said(row: Document) -> object:
    return row.get("text") or row.get("name") or row.get("sha256")


def _bare(line: Document) -> str:
    return canonical({key: value for key, value in line.items() if key != NUMBERED})


def _shown(value: object) -> str:
    text = f"“{value}”" if isinstance(value, str) else canonical({"": value})[4:-1]
    return text if len(text) <= SHOWN else text[:SHOWN] + "…"
