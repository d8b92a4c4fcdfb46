"""Random traffic as python-can messages, of what a format can hold."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from herdbook.decoders.reading.rows import FD_LENGTHS
from tests.decoders.peers import can
from tests.decoders.trial import Trial

START_US = 1_700_000_000_000_000


@st.composite
def traffic(draw: st.DrawFn, trial: Trial, most: int = 40) -> list[Any]:
    """Messages in time order."""
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
        what = draw(st.sampled_from(trial.holds))
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
