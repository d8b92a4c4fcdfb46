"""Random traffic as python-can messages, and python-can's writers for every format."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from herdbook.decoders.reading.rows import FD_LENGTHS
from tests.decoders.peers import can

START_US = 1_700_000_000_000_000
NUMBERED = ("asc", "blf", "trc", "mf4")  # formats whose channels are numbers; the others keep names or nothing


@st.composite
def traffic(draw: st.DrawFn, kind: str, most: int = 40) -> list[Any]:
    """Messages in time order that a format can hold: no CAN FD in .csv and .db, only plain data in .trc."""
    t, found = START_US, []
    for _ in range(draw(st.integers(1, most))):
        t += draw(st.sampled_from((0, 1, 100, 9_999, 10_000, 1_234_567, 90_000_000)))
        extended = draw(st.booleans())
        about: dict[str, Any] = {
            "timestamp": t / 1e6,
            "arbitration_id": draw(st.integers(0, 0x1FFF_FFFF if extended else 0x7FF)),
            "is_extended_id": extended,
            "channel": draw(st.integers(0, 2)),
            "is_rx": draw(st.booleans()),
        }
        what = draw(st.sampled_from(kinds_of(kind)))
        if what == "error":
            found.append(can.Message(timestamp=t / 1e6, is_error_frame=True, channel=about["channel"]))
        elif what == "remote":
            found.append(can.Message(is_remote_frame=True, dlc=draw(st.integers(0, 8)), **about))
        elif what == "fd":
            n = draw(st.sampled_from([int(n) for n in FD_LENGTHS if n]))
            about |= {"bitrate_switch": draw(st.booleans()), "error_state_indicator": draw(st.booleans())}
            found.append(can.Message(is_fd=True, data=draw(st.binary(min_size=n, max_size=n)), dlc=n, **about))
        else:
            found.append(can.Message(data=draw(st.binary(max_size=8)), **about))
    return found


def kinds_of(kind: str) -> tuple[str, ...]:
    if kind == "trc":
        return ("data",)
    return ("data", "remote", "error") if kind in ("csv", "db") else ("data", "data", "fd", "remote", "error")


def write(path: Path, messages: list[Any], **options: Any) -> Path:
    """Write with python-can's own writer; the database writer works in a thread and is given time to finish."""
    logging.getLogger("can").setLevel(logging.CRITICAL)
    with can.Logger(str(path), **options) as writer:
        for message in messages:
            writer.on_message_received(message)
        if path.suffix == ".db":
            while writer.buffer.qsize():  # type: ignore[attr-defined]
                pass
    return path
