"""Taken: everything that became of one log, on its way from a worker to the catalogue. Plain data, picklable."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from herdbook.pipeline.intake.clock import Span
from herdbook.pipeline.intake.identity import SerialSeen


@dataclass(frozen=True, slots=True)
class Reading:
    """What reading and decoding one log showed. Depends on its bytes, its DBC files and the clock shift alone, so it
    is kept inside the part too. Times: microseconds UTC. runs: (lowest, highest, last time, step that began it)."""

    format: str
    frames: int
    known: int
    error: int
    remote: int
    lost_bytes: int
    runs: tuple[tuple[int, int, int, int], ...]
    faults: tuple[tuple[str, str, int, int | None, str], ...]  # kind, message, count, first offset, detail
    messages: tuple[dict[str, Any], ...]  # fields of herdbook.decoders.integrity.checks.MessageReport
    buses: tuple[dict[str, Any], ...] = ()  # fields of herdbook.decoders.integrity.busload.Traffic

    @classmethod
    def from_json(cls, report: dict[str, Any]) -> Reading:
        """Back from the report inside a part."""
        fields = {k: tuple(tuple(row) for row in report[k]) for k in ("runs", "faults")}
        return cls(
            **{**report, **fields, "messages": tuple(report["messages"]), "buses": tuple(report.get("buses", ()))}
        )


@dataclass(frozen=True, slots=True)
class Taken:
    """One log after take_log. outcome: taken, known (nothing new), gone, or quarantined (reason, detail, advice)."""

    outcome: str
    path: str
    name: str
    size_bytes: int
    stamp: str
    log: str
    reason: str = ""
    detail: str = ""
    advice: str = ""
    vehicle: str = ""
    identity_by: str = ""
    profile: str = ""
    profile_hash: str = ""
    network_hash: str = ""
    clock: str = ""
    clock_notes: tuple[str, ...] = ()
    clock_shift_us: int = 0
    bench: bool = False
    zone: str = ""
    part: str = ""
    part_hash: str = ""
    part_bytes: int = 0
    facts: dict[str, str] = field(default_factory=dict)
    reading: Reading | None = None
    serials: tuple[SerialSeen, ...] = ()
    buses: tuple[dict[str, Any], ...] = ()  # rows of log_buses without the log
    spans: tuple[Span, ...] = ()
    doubts: tuple[tuple[int, int], ...] = ()
