"""Findings that are gone: did anybody act, or is it only that nothing was seen any more?"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb

BEFORE = timedelta(days=30)  # how far back work may lie and still be the reason; engineering choice


def work_on_record(con: duckdb.DuckDBPyConnection, vehicles: list[str], as_of: datetime) -> dict[str, str]:
    """The newest work seen on each vehicle within BEFORE of as_of, in words; "no work on record" where there is none.

    Work: a bench session, or another pack, controller or firmware than before."""
    found = {
        r["vehicle"]: f"{r['what']} on {r['t']:%Y-%m-%d}"
        for r in ask(con, __name__, "work", vehicles=vehicles, since=as_of - BEFORE)
    }
    return {v: found.get(v, f"no work on record in the last {BEFORE.days} days") for v in vehicles}
