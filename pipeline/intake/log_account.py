"""What was met on the way through one log, counted stretch by stretch, and the report of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from herdbook.decoders import Frames, Loss, Tally
from herdbook.decoders.frames import ERROR
from herdbook.decoders.integrity.checks import IntegrityCheck
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.logged_spans import SpanTracker
from herdbook.pipeline.intake.outcome import LogFault, LogReport

MOST_FAULTS = 50  # unknown identifiers listed one by one
SHORT = "frames shorter than the message; signals past the end are null"
ODD_SELECTOR = "multiplex selector with a value the DBC does not know"
SENDERS = "a role reads this message from all of {}: name one, as in source = {}"
BROKEN = "J1939 messages in several frames of which one is missing"
# Classes of error frames, by bit of their identifier. Source: Linux uapi, can/error.h.
ERROR_CLASSES = {
    0x1: "transmit timeout",
    0x2: "lost arbitration",
    0x4: "controller",
    0x8: "protocol",
    0x10: "transceiver",
    0x20: "no acknowledge",
    0x40: "bus off",
    0x80: "bus error",
    0x100: "restarted",
}


@dataclass
class LogAccount:
    """tracker: times with the shift; senders: addresses of messages that a role reads from anybody, by message; errors:
    frames that report one, by kind."""

    tracker: SpanTracker
    senders: dict[str, set[int]]
    tally: Tally = field(default_factory=Tally)
    errors: Counter[str] = field(default_factory=Counter)

    def count_errors(self, frames: Frames) -> None:
        rows = np.flatnonzero(frames.flags & ERROR)
        if not len(rows):
            return
        for bit, name in ERROR_CLASSES.items():
            if n := int(np.count_nonzero(frames.can_id[rows] & bit)):
                self.errors[name] += n
        controller = rows[(frames.can_id[rows] & 0x4) != 0]
        if n := int(np.count_nonzero(frames.payload[controller, 1] & 1)):
            self.errors["logger overflow: the logger itself dropped frames"] += n

    def follow(self, later: LogAccount) -> None:
        """What was met in the stretch of the log behind ours."""
        self.tracker.follow(later.tracker)
        self.tally = self.tally.plus(later.tally)
        self.errors += later.errors
        for name, addresses in later.senders.items():
            self.senders[name] |= addresses

    def refuse_strangers(self, profile: str, least: float) -> None:
        """least: share of frames whose identifiers must be known. Raises: InputError."""
        tally = self.tally
        share = tally.known / max(1, tally.frames - tally.error - tally.remote)
        if share < least:
            what = f"profile {profile} knows the identifiers of only {share:.0%} of all frames"
            raise InputError(what, "", "Check the profile, or split the log where the vehicle changed")

    def report(self, check: IntegrityCheck, shift: int, log_format: str, losses: Sequence[Loss]) -> LogReport:
        tally = self.tally
        reports = [replace(r, start_t=r.start_t + shift, end_t=r.end_t + shift) for r in check.report()]
        return LogReport(
            format=log_format,
            frames=tally.frames,
            known=tally.known,
            error=tally.error,
            remote=tally.remote,
            lost_bytes=sum(x.bytes for x in losses),
            runs=tuple(self.tracker.runs),
            faults=tuple(self._faults(losses)),
            messages=tuple(reports),
            buses=tuple(replace(b, peak_t=b.peak_t + shift) for b in check.traffic()),
        )

    def _faults(self, losses: Sequence[Loss]) -> Iterator[LogFault]:
        tally = self.tally
        for kind in sorted({x.kind for x in losses}):
            some = [x for x in losses if x.kind == kind]
            lost = f"{sum(x.bytes for x in some)} bytes; first: {some[0].detail}"
            yield LogFault(f"lost {kind}", "", len(some), some[0].offset, lost)
        unknown = sorted(tally.unknown.items(), key=lambda item: (-item[1], item[0]))
        for (channel, can_id, extended), count in unknown[:MOST_FAULTS]:
            identifier = f"{can_id:0{8 if extended else 3}X}"
            yield LogFault("unknown identifier", identifier, count, None, f"on channel {channel}")
        if rest := unknown[MOST_FAULTS:]:
            yield LogFault("unknown identifier", "", sum(n for _, n in rest), None, f"{len(rest)} more identifiers")
        for name, count in sorted(tally.short.items()):
            yield LogFault("short frame", name, count, None, SHORT)
        for name, count in sorted(tally.odd_selector.items()):
            yield LogFault("unknown selector", name, count, None, ODD_SELECTOR)
        for group, count in tally.broken.items():
            name = "" if group is None else f"{group:05X}"
            yield LogFault("broken transport", name, count, None, BROKEN)
        for name, addresses in sorted(self.senders.items()):
            if len(addresses) > 1:
                shown = [f"0x{a:02X}" for a in sorted(addresses)]
                yield LogFault(
                    "several senders", name, len(addresses), None, SENDERS.format(", ".join(shown), shown[0])
                )
        for name, count in sorted(self.errors.items()):
            yield LogFault("error frame", name, count, None, "reported by the logger's CAN controller")
