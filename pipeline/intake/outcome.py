"""What became of one log, on its way from a worker to the catalogue: one of five. Plain data, picklable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, Any

from herdbook.decoders.integrity.busload import Traffic
from herdbook.decoders.integrity.checks import MessageReport
from herdbook.pipeline.intake.bus_load import BusLoad
from herdbook.pipeline.intake.identity_signals import SerialSeen
from herdbook.pipeline.intake.logged_spans import LoggedSpan, Run
from herdbook.pipeline.spans import Span

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


class Entry(StrEnum):
    """What the catalogue remembers of a file (table seen)."""

    TAKEN = "taken"
    KNOWN = "known"  # it brought nothing new
    QUARANTINED = "quarantined"
    FETCHED = "fetched"  # from an inbox behind an address; its copy has not been looked at yet


@dataclass(frozen=True, slots=True)
class LogFault:
    """Something odd in a log. message: of the DBC, or an identifier; first_offset: byte of the log, where known."""

    kind: str
    message: str
    count: int
    first_offset: int | None
    detail: str


@dataclass(frozen=True, slots=True)
class LogReport:
    """What reading and decoding one log showed. Depends on its bytes, its DBC files and the clock shift alone, so it
    is kept inside the part too. Times: microseconds UTC."""

    format: str
    frames: int
    known: int
    error: int
    remote: int
    lost_bytes: int
    runs: tuple[Run, ...]
    faults: tuple[LogFault, ...]
    messages: tuple[MessageReport, ...]
    buses: tuple[Traffic, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """For the part's own metadata."""
        return flat(self) | {
            "faults": [list(flat(f).values()) for f in self.faults],
            "messages": [flat(m) for m in self.messages],
            "buses": [flat(b) for b in self.buses],
        }

    @classmethod
    def from_json(cls, report: Mapping[str, Any]) -> LogReport:
        """Back from a part. Raises: KeyError, TypeError when it is no such report."""
        buses = [{**b, "bits": tuple(b["bits"]), "peak_bits": tuple(b["peak_bits"])} for b in report.get("buses", ())]
        records = {
            "runs": tuple(Run(*r) for r in report["runs"]),
            "faults": tuple(LogFault(*f) for f in report["faults"]),
            "messages": tuple(MessageReport(**m) for m in report["messages"]),
            "buses": tuple(Traffic(**b) for b in buses),
        }
        return cls(**{**report, **records})


def flat(record: DataclassInstance) -> dict[str, Any]:
    """Fields of a flat dataclass; asdict copies every number of it, at several milliseconds a log."""
    return {name: getattr(record, name) for name in _names(type(record))}


@cache
def _names(kind: type[DataclassInstance]) -> tuple[str, ...]:
    return tuple(f.name for f in fields(kind))


@dataclass(frozen=True, slots=True)
class LogFile:
    """A log as a file. stamp: changes whenever it or its sidecar is written again. log: SHA-256 of its bytes, its name
    everywhere; "" when it could not be read."""

    path: str
    name: str
    size_bytes: int = 0
    stamp: str = ""
    log: str = ""


@dataclass(frozen=True, slots=True)
class TakenLog:
    """A log that is in the lake, and all that the ledger says of it.

    clock: by what it was placed in time. bench: whether it was recorded on a test bench. doubts: time it must not be
    used for, both ends in. facts: of the vehicle, from the sidecar and the profile.
    """

    file: LogFile
    vehicle: str
    identity_by: str
    profile: str
    profile_hash: str
    network_hash: str
    clock: str
    clock_notes: tuple[str, ...]
    clock_shift_us: int
    bench: bool
    zone: str
    part: str
    part_hash: str
    part_bytes: int
    report: LogReport
    facts: dict[str, str] = field(default_factory=dict)
    serials: tuple[SerialSeen, ...] = ()
    buses: tuple[BusLoad, ...] = ()
    spans: tuple[LoggedSpan, ...] = ()
    doubts: tuple[Span, ...] = ()


@dataclass(frozen=True, slots=True)
class KnownLog:
    """The ledger has these very bytes already."""

    file: LogFile


@dataclass(frozen=True, slots=True)
class GoneLog:
    """The file vanished before it was read."""

    file: LogFile


@dataclass(frozen=True, slots=True)
class ChangedLog:
    """The file was written or replaced while it was read: nothing of it is kept, and the next scan takes it in."""

    file: LogFile


CANNOT_OPEN = "cannot be opened"  # reasons that others ask for by name
CONTRADICTION = "contradicts itself"
UNUSABLE = "cannot be used"
PROFILE_REFUSED = "its profile is refused"


@dataclass(frozen=True, slots=True)
class QuarantinedLog:
    """A log that cannot be used: why in a few words, in detail, and what a person can do. again: from when on it is
    tried again by itself (microseconds UTC), None when that would be no use."""

    file: LogFile
    reason: str
    detail: str
    advice: str
    again: int | None = None


Outcome = TakenLog | KnownLog | GoneLog | ChangedLog | QuarantinedLog
