"""From samples to frames: every message of a log encoded at once, counters and checksums included."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from demo_logs.encode import encode, put_bits
from demo_logs.simulator.logger import Observed
from herdbook.decoders.arrays import I64, Bytes
from herdbook.decoders.dbc.messages import Message
from herdbook.decoders.frames import BRS, EXTENDED, FD, Frames
from herdbook.decoders.integrity.checksum import expected_checksum, protection_of
from herdbook.pipeline.vehicle.profile import Profile


def to_frames(observed: list[Observed], profile: Profile, spoil: float = 0.0, seed: int = 0) -> Frames:
    """Frames in time order. spoil: share of frames in which one bit is flipped on the way."""
    layouts = profile.network().by_name
    channels = tuple(sorted({o.message.channel for o in observed}))
    parts = [(o, layouts[o.message.name], _payload(o, layouts[o.message.name])) for o in observed if len(o.t)]
    width = max(p.shape[1] for _, _, p in parts)
    t = np.concatenate([o.t for o, _, _ in parts])
    order = np.argsort(t, kind="stable")
    payload = np.concatenate([np.pad(p, ((0, 0), (0, width - p.shape[1]))) for _, _, p in parts])[order]
    length = _spread([m.length for _, m, _ in parts], parts)[order]
    if spoil > 0:
        rng = np.random.default_rng([seed, len(t)])
        rows = np.flatnonzero(rng.random(len(t)) < spoil)
        payload[rows, rng.integers(0, length[rows])] ^= (1 << rng.integers(0, 8, len(rows))).astype(np.uint8)
    return Frames(
        t=t[order],
        channel=_spread([channels.index(o.message.channel) for o, _, _ in parts], parts)[order].astype(np.uint8),
        can_id=_spread([m.can_id for _, m, _ in parts], parts)[order].astype(np.uint32),
        flags=_spread([_flags(o, m) for o, m, _ in parts], parts)[order].astype(np.uint8),
        length=length.astype(np.uint8),
        payload=payload,
        channels=channels,
    )


def _spread(values: list[int], parts: list[tuple[Observed, Message, Bytes]]) -> I64:
    return np.repeat(np.array(values, np.int64), [len(o.t) for o, _, _ in parts])


def _flags(seen: Observed, layout: Message) -> int:
    return (EXTENDED if layout.extended else 0) | (FD | BRS if seen.message.fd else 0)


def _payload(seen: Observed, layout: Message) -> Bytes:
    columns: dict[str, NDArray[Any]] = {}
    if seen.message.multiplexer:
        columns[seen.message.multiplexer] = seen.page
    pages = {f.signal: f.page for f in seen.message.fields}
    for name, raw in seen.raw.items():
        signal = layout.signal(name)
        value = raw * float(signal.scale) + float(signal.offset)
        if pages.get(name) is not None:
            full = np.zeros(len(seen.t))
            full[seen.page == pages[name]] = value
            value = full
        columns[name] = value
    payload = encode(columns, layout)
    guard = protection_of(layout)
    if guard is not None:
        every = np.ones(len(payload), bool)
        if guard.counter is not None:
            put_bits(payload, guard.counter, (seen.count % guard.counter_values).astype(np.uint64), every)
        if guard.checksum is not None:
            crc = expected_checksum(guard, payload, layout.length)
            put_bits(payload, guard.checksum, crc.astype(np.uint64), every)
    return payload
