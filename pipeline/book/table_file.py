"""Entries from a file: CSV, TOML ([[entry]] tables) or XLSX (its first sheet), one entry a row.

    vehicle,kind,when,by,part,serial,batch,supplier,rule,item,outcome,said
    ZB-0104,complaint,2026-03-02,service desk,,,,,,,,gets warm while charging
    ZB-0104,fitted,2026-03-09 10:30,workshop,pack,P-2204,B7,,,,,

vehicle, kind and when are needed; which of the others, says pipeline/book/entry.py for each kind. A CSV may use
commas, semicolons or tabs, and is UTF-8 unless another encoding is named. Nothing is guessed: what cannot be read is
told by its row.
"""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from herdbook.pipeline.book.drafting import BEHIND, COLUMNS, NEEDED, draft_of
from herdbook.pipeline.book.entry import Draft
from herdbook.pipeline.book.refusals import Refusal
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.vehicle.problems import nearest

MOST_BYTES = 64_000_000  # of a file: more than a million entries
Rows = list[tuple[str, dict[str, str]]]  # place, values by column


@dataclass(frozen=True, slots=True)
class Given:
    """What a file holds: entries, and what could not be read of others."""

    drafts: list[Draft]
    refused: list[Refusal]


def read_entries(path: Path, zone_of: Callable[[str], ZoneInfo], *, by: str = "", encoding: str = "utf-8-sig") -> Given:
    """The entries of a file. zone_of: of a vehicle's name, in which its days are. by: for rows that name nobody.
    Raises: InputError when the file as such cannot be used."""
    try:
        size = path.stat().st_size
        raw = path.read_bytes() if size <= MOST_BYTES else b""
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", path, "Check the name and its rights") from None
    if size > MOST_BYTES:
        raise InputError(f"has {size / 1e6:.0f} MB; at most {MOST_BYTES / 1e6:.0f} are read", path, "Split it")
    suffix = path.suffix.lower()
    if suffix == ".toml":
        rows = _toml(raw, path)
    elif suffix == ".xlsx":
        rows = _xlsx(path)
    elif suffix in (".csv", ".tsv", ".txt"):
        rows = _csv(raw, path, encoding)
    else:
        raise InputError(f"{suffix or 'no suffix'} is not read here", path, "Give a .csv, .xlsx or .toml file")
    if not rows:
        raise InputError("holds no entry", path, "Give it a row below its header")
    drafts, refused = [], []
    for place, row in rows:
        try:
            drafts.append(draft_of(place, row, zone_of, by=by, source=f"{path.name}, {place}"))
        except ValueError as error:
            refused.append(Refusal(place, str(error)))
    return Given(drafts, refused)


def _csv(raw: bytes, path: Path, encoding: str) -> Rows:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    try:
        text = raw.decode(encoding)
    except LookupError:
        raise InputError(f"{encoding!r} is no encoding", path, "Name one such as utf-8 or cp1252") from None
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        do = "Save it as UTF-8, or name its encoding: --encoding cp1252"
        raise InputError(f"line {line} is not text in {encoding.removesuffix('-sig')}", path, do) from None
    if "\0" in text:
        raise InputError("holds zero bytes: it is no text", path, "Save the sheet as CSV")
    header = text.partition("\n")[0]
    separator = max(",;\t|", key=header.count)
    try:
        table = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        raise InputError(f"is no CSV: {error}", path, "Look for a quotation mark without its partner") from None
    return _rows(table, path, "line" if not any("\n" in c for row in table for c in row) else "row")


def _rows(table: Iterable[list[str]], path: Path, word: str) -> Rows:
    """Rows by the header, which is the first; empty ones are passed over."""
    rows = list(table)
    names = [name.strip().lower().replace(" ", "_") for name in rows[0]] if rows else []
    for name in names:
        if name not in COLUMNS:
            raise InputError(f"{name!r} is no column of the service book", path, nearest(name, COLUMNS))
    if twice := {name for name in names if names.count(name) > 1}:
        raise InputError(f"the column {sorted(twice)[0]} stands twice", path, "Leave one out")
    if missing := [name for name in NEEDED if name not in names]:
        raise InputError(f"has no column {' and no column '.join(missing)}", path, f"Columns: {', '.join(COLUMNS)}")
    out: Rows = []
    for number, row in enumerate(rows[1:], start=2):
        if any(cell.strip() for cell in row):
            if more := [cell for cell in row[len(names) :] if cell.strip()]:
                out.append((f"{word} {number}", {BEHIND: more[0]}))
            else:
                out.append((f"{word} {number}", dict(zip(names, row, strict=False))))
    return out


def _toml(raw: bytes, path: Path) -> Rows:
    try:
        table = tomllib.loads(raw.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"is not TOML: {error}", path, "Correct that line") from None
    given = table.pop("entry", [])
    if table or not isinstance(given, list) or not all(isinstance(one, dict) for one in given):
        raise InputError("holds something else than [[entry]] tables", path, "Write [[entry]] above each entry")
    out: Rows = []
    for number, one in enumerate(given, start=1):
        for name in one:
            if name not in COLUMNS:
                do = nearest(name, COLUMNS)
                raise InputError(f"entry {number}: {name!r} is no key of the service book", path, do)
        out.append((f"entry {number}", {key: _text(value) for key, value in one.items()}))
    return out


def _xlsx(path: Path) -> Rows:
    import zipfile

    from herdbook.pipeline.extras import need

    need("openpyxl", "an XLSX file")
    import openpyxl

    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
        sheet = book.worksheets[0]
        table = [[_text(cell) for cell in row] for row in sheet.iter_rows(values_only=True)]
        book.close()
    except (zipfile.BadZipFile, KeyError, ValueError, OSError, IndexError) as error:
        raise InputError(f"is no workbook that can be read: {error}", path, "Save the sheet as CSV") from None
    return _rows(table, path, "row")


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d}" if not (value.hour or value.minute) else value.isoformat(" ", "minutes")
    if isinstance(value, date):
        return value.isoformat()
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)
