"""The same question put to the peers: cantools frame by frame, python-can message by message."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from herdbook.decoders import Frames, Log, Network, decode, open_log
from herdbook.decoders.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TX

with warnings.catch_warnings():  # of a library it imports
    warnings.simplefilter("ignore")
    import can

Seen = tuple[Any, ...]


def frames_of(can_id: int, payloads: Sequence[bytes], extended: bool = False, channel: str = "can0") -> Frames:
    """Frames of one identifier, a microsecond apart."""
    n, width = len(payloads), 8 if max(map(len, payloads), default=0) <= 8 else 64
    payload = np.zeros((n, width), np.uint8)
    for i, data in enumerate(payloads):
        payload[i, : len(data)] = np.frombuffer(data, np.uint8)
    return Frames(
        t=np.arange(n, dtype=np.int64),
        channel=np.zeros(n, np.uint8),
        can_id=np.full(n, can_id, np.uint32),
        flags=np.full(n, EXTENDED if extended else 0, np.uint8),
        length=np.array([len(p) for p in payloads], np.uint8),
        payload=payload,
        channels=(channel,),
    )


def same(ours: object, theirs: object) -> bool:
    """Bit for bit: same type, same value, a NaN like a NaN, and -0.0 unlike 0.0."""
    if isinstance(ours, float) and isinstance(theirs, float):
        if math.isnan(ours) or math.isnan(theirs):
            return math.isnan(ours) and math.isnan(theirs)
        return ours == theirs and math.copysign(1, ours) == math.copysign(1, theirs)
    return type(ours) is type(theirs) and ours == theirs


def cantools_messages(text: str) -> list[Any]:
    """Messages of DBC text as cantools sees them, strict."""
    from cantools.database import load_string

    return list(load_string(text, "dbc").messages)  # type: ignore[union-attr]


def differences(message: Any, network: Network, payloads: Sequence[bytes]) -> list[str]:
    """Where our columns differ from cantools' decode of each payload; message is cantools' own object."""
    from cantools.database.errors import DecodeError

    found: list[str] = []
    tables = decode(frames_of(message.frame_id, payloads, message.is_extended_frame), network)
    if not tables:
        return ["no table"]
    ((name, table),) = tables.items()
    # whole numbers that 64 bits cannot hold are the nearest float64 with us
    rounded = {s.name for s in network.by_name[name].signals if s.kind == "float" and s.integral}
    for i, data in enumerate(payloads):
        ours = {k: v for k, v in table.row(i, named=True).items() if v is not None and k not in ("t", "source")}
        try:
            theirs = message.decode(data, decode_choices=False, allow_truncated=True)
        except DecodeError as e:  # a selector value without a meaning: they give nothing, we keep what is certain
            if "multiplexer id" not in str(e):
                raise
            continue
        theirs = {k: float(v) if k in rounded else v for k, v in theirs.items()}
        if set(ours) != set(theirs):
            found.append(f"{message.name} {data.hex()}: {set(ours) ^ set(theirs)}")
        found += [
            f"{message.name}.{k} {data.hex()}: {ours[k]!r} is not {theirs[k]!r}"
            for k in set(ours) & set(theirs)
            if not same(ours[k], theirs[k])
        ]
    return found


def ours(path: Path) -> list[Seen]:
    """Frames of a log as plain tuples, in the form of theirs()."""
    return frames_in(open_log(path))


def frames_in(log: Log) -> list[Seen]:
    """As ours(), of an opened log."""
    seen: list[Seen] = []
    for f in log.chunks():
        for i in range(len(f)):
            flags, n = int(f.flags[i]), int(f.length[i])
            data = b"" if flags & REMOTE else f.payload[i, :n].tobytes()
            bits = (bool(flags & b) for b in (EXTENDED, FD, BRS, ESI, REMOTE, TX, ERROR))
            seen.append((int(f.t[i]), int(f.can_id[i]), *bits, n, data, f.channels[f.channel[i]]))
    return seen


def theirs(messages: Iterable[Any], first_channel: int = 0) -> list[Seen]:
    """python-can messages as tuples; numbered channels count from first_channel."""
    return [
        (
            round(m.timestamp * 1e6),
            m.arbitration_id,
            m.is_extended_id,
            m.is_fd,
            m.bitrate_switch,
            m.error_state_indicator,
            m.is_remote_frame,
            not m.is_rx,
            m.is_error_frame,
            m.dlc if m.is_remote_frame else len(m.data),
            bytes(m.data),
            str(m.channel + first_channel) if isinstance(m.channel, int) else m.channel,
        )
        for m in messages
    ]


def unequal(mine: list[Seen], other: list[Seen], channel: bool = True, shift_us: int = 0) -> list[tuple[Seen, Seen]]:
    """Frames that differ. Stamps may differ by a microsecond: theirs are float seconds. Of an error frame only
    the time counts: python-can keeps nothing else of it."""
    assert len(mine) == len(other), (len(mine), len(other))
    last = None if channel else -1
    return [
        (a, b)
        for a, b in zip(mine, other, strict=True)
        if abs(a[0] + shift_us - b[0]) > 1 or a[8] != b[8] or (not a[8] and a[1:last] != b[1:last])
    ]


__all__ = [
    "Seen",
    "can",
    "cantools_messages",
    "differences",
    "frames_in",
    "frames_of",
    "ours",
    "same",
    "theirs",
    "unequal",
]
