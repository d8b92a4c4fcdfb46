"""A history file as found: which form it has, what it says, and nothing taken for granted about either.

What could be read in two ways is refused: a key that stands twice, a number that is not written as its value is, a
second record in a page, a row with more or fewer cells than there are columns.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.reports.history.forms import COLUMNS
from herdbook.pipeline.reports.page.paper import page_in
from herdbook.pipeline.reports.page.signed_file import SignedFile, TwiceError, strict_json
from herdbook.pipeline.reports.words.csv_cells import plain_text
from herdbook.pipeline.times import from_stamp

Document = dict[str, Any]
_EMBEDDED = re.compile(r'<script type="application/json" id="history">(.*?)</script>', re.DOTALL)
TEXTS = ("form", "vehicle", "zone", "units", "seal")
DO = "Name a file that `history` wrote, unchanged"


@dataclass(frozen=True, slots=True)
class HistoryFile(SignedFile):
    """form: "html", "csv" or "json"; of a CSV `made` has the rows as they are, under `lines` and `logs`."""

    @property
    def logs(self) -> list[str]:
        return [str(log["sha256"]) for log in self.made["logs"]]


def read_file(path: Path) -> HistoryFile:
    """Raises: InputError when the file is no history, or could be read in two ways."""
    paper = b""
    try:
        content = path.read_bytes()
        if content.startswith(b"%PDF"):
            paper, content = content, page_in(content).encode("utf-8")
        text = content.decode("utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        raise InputError(f"cannot be read as text ({problem})", path, "Name a file that `history` wrote") from None
    try:
        form, made = _read(text)
        _check(made)
    except TwiceError as problem:
        raise InputError(f"is not a history as Herdbook writes one: {problem}", path, DO) from None
    except (ValueError, KeyError, TypeError, RecursionError, csv.Error):
        raise InputError("is not a history, or a damaged one", path, DO) from None
    return HistoryFile(path, text, form, made, paper)


def _read(text: str) -> tuple[str, Document]:
    if text.startswith("record,"):
        return "csv", of_csv(text)
    if text.startswith("<!doctype html>"):
        found = _EMBEDDED.findall(text)
        if len(found) > 1:
            raise TwiceError("it holds more than one record")
        return "html", strict_json(found[0] if found else "")
    return "json", strict_json(text)


def of_csv(text: str) -> Document:
    """The document rows as a document, and the rows of lines and logs. Raises: ValueError, TwiceError."""
    head, *rows = csv.reader(io.StringIO(text, newline=""), strict=True)
    if head != list(COLUMNS):
        raise ValueError
    made: Document = {}
    table: dict[str, list[Document]] = {"line": [], "log": []}
    for number, row in enumerate(rows, start=2):
        if len(row) != len(COLUMNS):
            raise TwiceError(f"row {number} has {len(row)} cells, not {len(COLUMNS)}")
        cells = dict(zip(COLUMNS, row, strict=True))
        if cells["record"] == "document":
            if cells["section"] in made:
                raise TwiceError(f"{cells['section']!r} stands twice")
            if any(value for name, value in cells.items() if name not in ("record", "section", "text")):
                raise TwiceError(f"row {number} holds more than a fact about the file")
            made[cells["section"]] = plain_text(cells["text"])
        else:
            table[cells["record"]].append(cells)
    empty = {key: None for key in ("as_of", "at", "built", "in_service") if not made.get(key)}
    return made | empty | {"lines": table["line"], "logs": table["log"]}


def _check(made: Document) -> None:
    """What is relied on before anything is compared. Raises: ValueError, KeyError, TypeError."""
    if not all(isinstance(made[key], str) for key in TEXTS) or made["units"] not in ("km", "mi"):
        raise ValueError
    if not isinstance(made.get("by") or "", str):
        raise ValueError
    for key in ("as_of", "at"):
        if made.get(key) is not None:
            from_stamp(made[key])
    for key, named in (("lines", "text"), ("logs", "sha256")):
        if not all(isinstance(row, dict) and isinstance(row[named], str) for row in made[key]):
            raise TypeError
