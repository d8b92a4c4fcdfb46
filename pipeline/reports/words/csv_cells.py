"""Cells of a CSV that a spreadsheet opens as what they are: text stays text, and no cell is a formula.

Every CSV that we write goes through here. A spreadsheet takes a cell that begins with one of FORMULA for a formula,
which may start programs or send data away; an apostrophe in front makes it text. Numbers stay as they are.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # the last four: some spreadsheets' wide forms


def inert(text: str) -> str:
    """A text that a spreadsheet would take for a formula gets an apostrophe in front."""
    return "'" + text if text.startswith(FORMULA) else text


def plain_text(text: str) -> str:
    """What inert() was given."""
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA) else text


def cell(value: object) -> object:
    """A value of a database as a cell: times in ISO 8601, durations in seconds, lists and structures as JSON."""
    if isinstance(value, bool):
        return str(value).lower()
    if value is None or isinstance(value, int | float | Decimal):
        return value
    if isinstance(value, datetime):
        return value.isoformat(timespec="microseconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, list | tuple | dict):
        return json.dumps(value, default=lambda v: cell(v) if isinstance(v, timedelta | bytes | date) else str(v))
    return inert(str(value))


def write_rows(path: Path, columns: Sequence[str], batches: Iterable[Sequence[Sequence[object]]]) -> int:
    """A table to a CSV in UTF-8; how many rows."""
    count = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow([inert(name) for name in columns])
        for batch in batches:
            rows.writerows([cell(value) for value in row] for row in batch)
            count += len(batch)
    return count


def write_frame(path: Path, frame: pl.DataFrame) -> None:
    """A polars table of numbers, texts and times, quickly; times in UTC with a Z."""
    import polars as pl

    texts = [name for name, kind in frame.schema.items() if kind in (pl.String, pl.Categorical)]
    guarded = [
        pl.when(pl.any_horizontal(pl.col(name).cast(pl.String).str.starts_with(sign) for sign in FORMULA))
        .then("'" + pl.col(name).cast(pl.String))
        .otherwise(pl.col(name))
        .alias(name)
        for name in texts
    ]
    shown = frame.with_columns(guarded).rename({name: inert(name) for name in frame.columns})
    shown.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%S%.6fZ")
