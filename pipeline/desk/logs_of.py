"""What a publication says of a vehicle's logs, looked up once (known.py): where they lie, how much is in them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.desk.known import known
from herdbook.pipeline.lake.read import LogRef, log_refs
from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

FIRST, LAST = -(2**62), 2**62


def refs_of(store: Store, vehicle: str, start: int, end: int) -> list[LogRef]:
    """Logs that touch [start, end), also expired ones, in order of time and hash."""

    def every() -> list[LogRef]:
        with store.read() as con:
            return log_refs(con, vehicle, FIRST, LAST, expired=True)

    return [r for r in known(store, ("refs", vehicle), every) if r.start < end and r.end >= start]


def frames_of(store: Store, vehicle: str, messages: frozenset[str]) -> dict[tuple[str, str], int]:
    """Frames by log and message, of all channels, of all logs of a vehicle."""

    def every() -> dict[tuple[str, str], int]:
        with store.read() as con:
            rows = ask(con, __name__, "frames", vehicle=vehicle, messages=sorted(messages))
        return {(row["log"], row["message"]): int(row["frames"]) for row in rows}

    return known(store, ("frames", vehicle, *sorted(messages)), every) if messages else {}
