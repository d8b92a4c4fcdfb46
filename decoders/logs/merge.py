"""Several streams of frames to one, in time order, a batch at a time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.decoders.frames import Frames
from herdbook.decoders.logs.log import join_frames
from herdbook.decoders.logs.rows import part

END = 2**62


def merged(streams: list[Iterator[Frames]]) -> Iterator[Frames]:
    """Batches of several streams by time, stable; each stream is taken to be in order itself."""
    held: dict[int, Frames] = {}
    waiting = dict(enumerate(streams))
    while held or waiting:
        for i in [i for i in waiting if i not in held]:
            if (frames := next(waiting[i], None)) is None:
                del waiting[i]
            elif len(frames):
                held[i] = frames
        if len(held) < len(waiting) or not held:
            continue  # a stream gave an empty batch: ask it again before anything is passed on
        horizon = min((int(f.t.max()) for i, f in held.items() if i in waiting), default=END)
        ready = []
        for i, frames in list(held.items()):
            n = int(np.searchsorted(np.maximum.accumulate(frames.t), horizon, side="right"))
            ready.append(part(frames, slice(0, n)))
            held[i] = part(frames, slice(n, None))
            if not len(held[i]):
                del held[i]
        joined = join_frames([f for f in ready if len(f)])
        yield part(joined, np.argsort(joined.t, kind="stable")) if len(ready) > 1 else joined
