"""Frames of a bus from columns of samples, for records of a test stand; no simulated vehicle stands behind them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from demo_logs.encode import encode, seal
from herdbook.decoders.arrays import I64
from herdbook.decoders.frames import EXTENDED, Frames
from herdbook.pipeline.vehicle.profile import Profile


def bench_frames(profile: Profile, samples: Mapping[str, tuple[I64, Mapping[str, ArrayLike]]]) -> Frames:
    """Frames in order of time. samples: by message its times (microseconds UTC) and its signals in DBC units, counters
    and checksums excepted. A multiplexed message is given once for each of its pages, as "Message#1"."""
    layouts = profile.network().by_name
    pieces = []
    for name, (t, columns) in samples.items():
        layout = layouts[name.split("#")[0]]
        payload = seal(layout, encode({k: np.broadcast_to(v, t.shape) for k, v in columns.items()}, layout))
        pieces.append((layout, t, payload))
    t = np.concatenate([t for _, t, _ in pieces])
    order = np.argsort(t, kind="stable")
    counts = [len(t) for _, t, _ in pieces]

    def spread(values: list[int]) -> I64:
        return np.repeat(np.array(values, np.int64), counts)[order]

    return Frames(
        t=t[order],
        channel=np.zeros(t.size, np.uint8),
        can_id=spread([m.can_id for m, _, _ in pieces]).astype(np.uint32),
        flags=spread([EXTENDED if m.extended else 0 for m, _, _ in pieces]).astype(np.uint8),
        length=spread([m.length for m, _, _ in pieces]).astype(np.uint8),
        payload=np.concatenate([p for _, _, p in pieces])[order],
        channels=("can0",),
    )
