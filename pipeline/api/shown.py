"""What a notebook shows in place of a repr: a sentence, a table. Whatever comes from logs is text and never markup."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

MOST = 30  # rows


def said(text: str) -> str:
    return f"<p>{escape(text)}</p>"


def as_table(title: str, rows: pl.DataFrame) -> str:
    """The first rows of a table; how many are left out stands below it."""
    head = "".join(f"<th>{escape(name)}</th>" for name in rows.columns)
    body = "".join(f"<tr>{''.join(map(_cell, row))}</tr>" for row in rows.head(MOST).iter_rows())
    more = said(f"and {rows.height - MOST} more") if rows.height > MOST else ""
    return f"<table><caption>{escape(title)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>{more}"


def _cell(value: object) -> str:
    text = "–" if value is None else f"{value:.0f}" if isinstance(value, float) else str(value)
    return f'<td style="text-align: left">{escape(text)}</td>'
