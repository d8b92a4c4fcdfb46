"""A log played back onto a bus, in the time it was recorded in or faster: for tests and for training.

This sends. On a bus with a vehicle at its other end such frames may turn motors, close the main switch or hide what
the vehicle itself says; who calls this has asked for that in so many words.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from herdbook.decoders import Frames, open_log
from herdbook.decoders.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE
from herdbook.pipeline.bench.live.open_bus import OpenBus, trouble
from herdbook.pipeline.errors import BusError, InputError
from herdbook.pipeline.times import S

CAUTION = (
    "Frames of a log, sent onto a wire, are commands: motors may turn, wheels may spin, the main switch may close, and "
    "what the vehicle itself says is talked over. Lift the driven wheels, keep hands and clothes away from belts and "
    "motors, be able to cut the pack off, and let nobody ride. Local rules and licensed practice come first."
)
SEND_S = 5.0  # how long a full send buffer is waited for
AHEAD_S = 0.002  # closer than this nobody is waited for


@dataclass(slots=True)
class Played:
    """sent: frames; left_out: error frames, and frames of buses that nobody named; late_s: how far behind its time the
    last frame was sent."""

    sent: int = 0
    left_out: int = 0
    late_s: float = 0.0


def play(logs: Sequence[Path], buses: Sequence[OpenBus], speed: float, stop: threading.Event, played: Played) -> None:
    """Send all frames of the logs, one log after the other. One bus takes all frames; of several each takes those of
    its label. speed: times as fast as recorded; 0: as fast as the bus takes them. played is kept up to date.

    Raises: InputError for a log without frames or labels that no log has; BusError.
    """
    by_label = {b.address.label.lower(): b for b in buses} if len(buses) > 1 else {}
    for log in logs:
        begun, first = time.monotonic(), None
        before = played.sent
        for frames in open_log(log).chunks():
            if len(frames) and first is None:
                first = int(frames.t[0])
            for t, bus, message in _messages(frames, buses, by_label, played):
                due = begun + (t - (first or 0)) / S / speed if speed else 0.0
                if (early := due - time.monotonic()) > AHEAD_S and stop.wait(early):
                    return
                if stop.is_set():
                    return
                played.late_s = max(0.0, -early) if speed else 0.0
                _send(bus, message)
                played.sent += 1
        if played.sent == before:
            do = "Give each --bus the label of a bus in the log (label=can0)" if by_label else "Look at the log"
            raise InputError("no frame of it could be played", log, do)


def _messages(
    frames: Frames, buses: Sequence[OpenBus], by_label: dict[str, OpenBus], played: Played
) -> Iterator[tuple[int, OpenBus, Any]]:
    import can

    to = [by_label.get(label.lower()) if by_label else buses[0] for label in frames.channels]
    for i in range(len(frames)):
        flags, n = int(frames.flags[i]), int(frames.length[i])
        bus = to[int(frames.channel[i])]
        if bus is None or flags & ERROR:
            played.left_out += 1
            continue
        remote = bool(flags & REMOTE)
        yield (
            int(frames.t[i]),
            bus,
            can.Message(
                arbitration_id=int(frames.can_id[i]),
                is_extended_id=bool(flags & EXTENDED),
                is_remote_frame=remote,
                is_fd=bool(flags & FD),
                bitrate_switch=bool(flags & BRS),
                error_state_indicator=bool(flags & ESI),
                dlc=n,
                data=None if remote else frames.payload[i, :n].tobytes(),
            ),
        )


def _send(bus: OpenBus, message: Any) -> None:
    try:
        bus.can.send(message, timeout=SEND_S)
    except Exception as error:
        raise _lost(bus, error) from None


def _lost(bus: OpenBus, error: BaseException) -> BusError:
    return trouble(bus.address, error, "a frame could not be sent")
