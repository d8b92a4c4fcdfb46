"""Figures of units as tests of the line measured them: from the store's tests, or from a table of one's own.

A table is CSV (commas, semicolons or tabs; with semicolons a comma may stand in numbers) with a heading:

    vehicle, figure, value            needed: the unit, what was measured, the number
    item, unit, time, line, who       of which group or side; unit of the value; when; on which line; by whom

time is a day (2026-03-04) or a moment (2026-03-04 14:30, with a zone or UTC). A row is one test of one unit: the same
unit again is a repeat.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.bench.acceptance.birth import figures_tested
from herdbook.pipeline.bench.acceptance.figures import KINDS, in_words
from herdbook.pipeline.errors import InputError, NotKnownError
from herdbook.pipeline.times import naive_utc
from herdbook.pipeline.vehicle.problems import nearest

if TYPE_CHECKING:
    import duckdb

NEEDED = ("vehicle", "figure", "value")
COLUMNS = (*NEEDED, "item", "unit", "time", "line", "who")
MOST_BYTES = 100_000_000


@dataclass(frozen=True, slots=True)
class Measured:
    """One figure of one test of one unit. t: naive UTC, None where nobody said. line, who: "" where nobody said.
    group: a rational subgroup, "" for none."""

    vehicle: str
    figure: str
    item: str
    value: float
    unit: str
    t: datetime | None
    line: str
    who: str
    group: str = ""


def from_store(con: duckdb.DuckDBPyConnection, figure: str) -> list[Measured]:
    """All tests of a figure in a published store. Raises: NotKnownError, naming those there are."""
    found = figures_tested(con, figure=figure)
    if not found:
        _none(figure, {f.figure for f in figures_tested(con)}, "Enter tests with `herdbook accept`, or give --csv")
    return [Measured(f.vehicle, f.figure, f.item, f.value, f.unit, f.from_t, f.line, f.who) for f in found]


def from_csv(path: Path, figure: str, group: str = "") -> list[Measured]:
    """All rows of a figure. group: column that names the subgroup of each. Raises: InputError naming the line;
    NotKnownError when figure or column is not in it."""
    rows = _rows(path, group.strip().lower())
    found = [m for m in rows if m.figure == figure]
    if not found:
        _none(figure, {m.figure for m in rows}, "Look at the column `figure`")
    return found


def _none(figure: str, known: set[str], empty: str) -> None:
    raise NotKnownError(f"no test measured {figure!r}", do=nearest(figure, sorted(known)) if known else empty)


def by_days(rows: Iterable[Measured]) -> list[Measured]:
    """Each with its day (UTC) as its group."""
    return [replace(m, group=m.t.date().isoformat() if m.t is not None else "") for m in rows]


def _rows(path: Path, group: str) -> list[Measured]:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError("is larger than 100 MB, which no table of tests is", path, "Give the rows that count")
        text = path.read_text("utf-8-sig")
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", path, "Check the path") from None
    except UnicodeDecodeError:
        raise InputError("is not UTF-8", path, "Save it as CSV in UTF-8") from None
    head = text.split("\n", 1)[0]
    mark = max(",;\t", key=head.count)
    reader = csv.DictReader(text.splitlines(), delimiter=mark, skipinitialspace=True)
    names = [str(n).strip().lower() for n in reader.fieldnames or ()]
    reader.fieldnames = names
    if missing := [n for n in NEEDED if n not in names]:
        do = f"The heading names {', '.join(COLUMNS)}; the first three are needed"
        raise InputError(f"has no column {missing[0]!r}", path, do)
    if group and group not in names:
        raise NotKnownError(f"has no column {group!r}", path, nearest(group, sorted(names)))
    out = []
    try:
        for row in reader:
            out.append(_measured(row, decimal_comma=mark == ";", group=group))  # noqa: PERF401 (the line number is told)
    except ValueError as error:
        raise InputError(str(error), f"{path}, line {reader.line_num}", "Correct that line") from None
    except csv.Error as error:
        raise InputError(f"is no CSV: {error}", f"{path}, line {reader.line_num}", "Correct that line") from None
    if not out:
        raise InputError("holds no row", path, "Give a row a test")
    return out


def _measured(row: dict[str, str | None], decimal_comma: bool, group: str) -> Measured:
    """Raises: ValueError."""
    cells = {name: (row.get(name) or "").strip() for name in COLUMNS}
    for name in ("vehicle", "figure"):
        if not cells[name]:
            raise ValueError(f"{name} is empty")
    text = cells["value"].replace(",", ".") if decimal_comma else cells["value"]
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"value {cells['value']!r} is no number") from None
    if not isfinite(value):
        raise ValueError(f"value {cells['value']!r} is no finite number")
    t = None
    if cells["time"]:
        try:
            t = naive_utc(datetime.fromisoformat(cells["time"]))
        except ValueError:
            raise ValueError(f"time {cells['time']!r} is none, like 2026-03-04 or 2026-03-04 14:30") from None
    return Measured(
        vehicle=cells["vehicle"],
        figure=cells["figure"],
        item=cells["item"],
        value=value,
        unit=cells["unit"],
        t=t,
        line=cells["line"],
        who=cells["who"],
        group=(row.get(group) or "").strip() if group else "",
    )


def by_item(rows: Iterable[Measured], item: str = "") -> dict[str, list[Measured]]:
    """Rows of each item, numbers in their order, each in order of time and as given. Raises: InputError when an item
    comes in two units; NotKnownError for an item that there is not."""
    found: dict[str, list[Measured]] = {}
    for m in rows:
        found.setdefault(m.item, []).append(m)
    if item:
        if item not in found:
            raise NotKnownError(f"no test measured item {item!r}", do=nearest(item, sorted(found)))
        found = {item: found[item]}
    for name, some in found.items():
        if len(units := sorted({m.unit for m in some})) > 1:
            what = f"values of {some[0].figure} {name}".rstrip() + f" come in {' and '.join(map(repr, units))}"
            raise InputError(what, do="Give all in one unit")
    order = sorted(found, key=lambda name: (not name.isdigit(), int(name) if name.isdigit() else 0, name))
    return {name: in_time(found[name]) for name in order}


def in_time(rows: Sequence[Measured]) -> list[Measured]:
    """By time where every row has one; else as given."""
    if all(m.t is not None for m in rows):
        return sorted(rows, key=lambda m: m.t or datetime.min)
    return list(rows)


def first_of_each(rows: Sequence[Measured]) -> list[Measured]:
    """One row a unit: its first."""
    seen: dict[str, Measured] = {}
    for m in rows:
        seen.setdefault(m.vehicle, m)
    return list(seen.values())


def words(figure: str, item: str) -> str:
    """What was measured, for a person. item: "" for each of them."""
    if figure not in KINDS:
        return f"{figure} {item}".strip()
    return in_words(figure, item or "each").replace("group each", "each group")
