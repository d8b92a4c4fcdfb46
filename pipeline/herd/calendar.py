"""In which months which findings began: vehicles by rule and month of the first evidence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True, slots=True)
class Calendar:
    """rules: the most frequent first. months: every one from the first to the last. count: by (rule, month)."""

    rules: tuple[str, ...]
    months: tuple[date, ...]
    count: dict[tuple[str, date], int]


def calendar(con: duckdb.DuckDBPyConnection) -> Calendar:
    rows = ask(con, __name__, "told_by_month")
    count = {(row["rule"], row["month"]): int(row["vehicles"]) for row in rows}
    total: dict[str, int] = {}
    for (rule, _), n in count.items():
        total[rule] = total.get(rule, 0) + n
    months = sorted({month for _, month in count})
    every = []
    if months:
        at = months[0]
        while at <= months[-1]:
            every.append(at)
            at = date(at.year + at.month // 12, at.month % 12 + 1, 1)
    return Calendar(tuple(sorted(total, key=lambda r: (-total[r], r))), tuple(every), count)
