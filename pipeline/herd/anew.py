"""When a figure of a vehicle began anew: the part that it is about was exchanged or repaired, by bus or by book."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Kind
from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb


def began_anew(con: duckdb.DuckDBPyConnection, parts: Sequence[str], until: datetime) -> dict[str, datetime]:
    """The newest moment before `until`, by vehicle; what was never exchanged is not in it. parts: "pack", "belt".

    Raises: StoreError for a copy that knows no service book."""
    found = {row["vehicle"]: row["t"] for row in ask(con, __name__, "exchanged", parts=list(parts)) if row["t"] < until}
    for e in book.entered(con):
        if e.holds and e.kind in (Kind.FITTED, Kind.REPAIR) and e.part.split(" ")[0] in parts and e.from_t < until:
            found[e.vehicle] = max(e.from_t, found.get(e.vehicle, e.from_t))
    return found
