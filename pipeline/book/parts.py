"""Which part sat where and when, by the book; and where the buses say otherwise."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from herdbook.pipeline.book.entry import Entry, Kind, day_of
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


@dataclass(frozen=True, slots=True)
class Stay:
    """A part in a vehicle. to_t None: it sits there still. ended: why it came out, in the words of the book. outcome:
    failed, sound, or "" where nobody said.
    Times are naive UTC; from_t is the earliest moment that it can be, sure_t the latest."""

    vehicle: str
    part: str
    serial: str
    batch: str
    supplier: str
    from_t: datetime
    sure_t: datetime
    to_t: datetime | None
    zone: str
    ended: str
    outcome: str
    entry: int

    @property
    def day(self) -> str:
        """On which it was fitted."""
        return day_of(self.from_t, self.zone)


def stays(entries: Sequence[Entry]) -> list[Stay]:
    """From entries in the order of their events; those that hold no longer are passed over."""
    sits: dict[tuple[str, str], Entry] = {}
    out = []
    moved = [e for e in entries if e.holds and e.kind in (Kind.FITTED, Kind.REMOVED)]
    for e in sorted(moved, key=lambda e: (e.from_t, e.kind == Kind.FITTED, e.entry)):
        seat = sits.pop((e.vehicle, e.part), None)
        if seat is not None:
            ended = e.said or ("replaced" if e.kind == Kind.FITTED else "taken out")
            out.append(_stay(seat, e.from_t, ended, e.outcome))
        if e.kind == Kind.FITTED:
            sits[e.vehicle, e.part] = e
    out += [_stay(seat, None, "", "") for seat in sits.values()]
    return sorted(out, key=lambda stay: (stay.vehicle, stay.part, stay.from_t))


def _stay(e: Entry, to_t: datetime | None, ended: str, outcome: str) -> Stay:
    return Stay(
        e.vehicle, e.part, e.serial, e.batch, e.supplier, e.from_t, e.to_t, to_t, e.zone, ended, outcome, e.entry
    )


def contradictions(con: DuckDBPyConnection, entries: Sequence[Entry], vehicle: str | None = None) -> list[str]:
    """Sentences: where a bus named another serial number than the book has for that time."""
    seen = ask(con, __name__, "seen_serials", vehicle=vehicle)
    return [told for stay in stays(entries) for told in _against(stay, seen)]


def _against(stay: Stay, seen: Sequence[Row]) -> Iterator[str]:
    for row in seen:
        if row["vehicle"] != stay.vehicle or row["component"].replace("_", " ") != stay.part:
            continue
        inside = row["to_t"] > stay.sure_t and (stay.to_t is None or row["from_t"] < stay.to_t)
        if inside and row["serial"].strip().lower() != stay.serial.lower():
            day = max(row["from_t"], stay.sure_t)
            yield (
                f"{stay.vehicle}: the book has {stay.part} {stay.serial} from {stay.day} on, the bus named "
                f"{row['serial']} on {day_of(day, stay.zone)}. Look at the label of the {stay.part}, and "
                "correct the entry or the log"
            )
