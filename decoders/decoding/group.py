"""A batch of frames with its rows grouped by message: made once, used by decoding and by the integrity check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders.arrays import I16, I64, Bytes
from herdbook.decoders.dbc.network import Network
from herdbook.decoders.frames import Frames

KNOWN = 2  # below it, in counts that begin with SKIPPED and UNKNOWN


@dataclass(frozen=True, slots=True)
class Grouped:
    """Rows of known messages, by message and in file order within one; arrays (known,) and payload (known, width).

    which: of every frame, as Network.match gives it. order: place of each row among the frames. messages: index into
    the network's messages, first row, end.
    """

    frames: Frames
    which: I16
    order: NDArray[np.intp]
    messages: tuple[tuple[int, int, int], ...]
    t: I64
    length: Bytes
    payload: Bytes


def grouped(frames: Frames, network: Network) -> Grouped:
    which = network.match(frames)
    count = np.bincount(which + np.int16(KNOWN), minlength=KNOWN)
    order = np.argsort(which, kind="stable")[count[:KNOWN].sum() :]
    present = np.flatnonzero(count[KNOWN:])
    ends = np.cumsum(count[KNOWN:][present])
    starts = ends - count[KNOWN:][present]
    payload: NDArray[Any] = np.ascontiguousarray(frames.payload)
    narrow = payload.shape[1] == 8
    payload = payload.view(np.uint64)[:, 0].take(order).view(np.uint8).reshape(-1, 8) if narrow else payload[order]
    messages = tuple(zip(present.tolist(), starts.tolist(), ends.tolist(), strict=True))
    return Grouped(
        frames=frames,
        which=which,
        order=order,
        messages=messages,
        t=frames.t.take(order),
        length=frames.length.take(order),
        payload=payload,
    )
