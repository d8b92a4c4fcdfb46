"""Bus logs in measurement files, version 4 (.mf4, ASAM MDF with bus logging).

Each channel group of bus events holds a structure CAN_DataFrame, CAN_ErrorFrame or CAN_RemoteFrame with the
members BusChannel, ID, IDE, DLC, DataLength, DataBytes, Dir, EDL, BRS, ESI. Groups are merged by time.
Channels keep the number of the file as label. Reading the blocks is asammdf's (optional: install
herdbook[mf4]). Source: ASAM MDF bus logging, as asammdf and python-can write it.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from datetime import UTC
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoders.errors import LogFormatError
from decoders.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TX, Frames
from decoders.frames_out import FD_LENGTHS, Labels, Rows
from decoders.log import Account, Reader, join_frames
from decoders.mdf_blocks import Blocks, Broken
from decoders.source import Source

BATCH = 32_768  # frames read from a group at once
KINDS = {"CAN_DataFrame": 0, "CAN_ErrorFrame": ERROR, "CAN_RemoteFrame": REMOTE}
BITS = (("IDE", EXTENDED), ("EDL", FD), ("BRS", BRS), ("ESI", ESI))
BUS_EVENT = 2
LOCAL_TIME = 1


def read(source: Source, account: Account) -> Iterator[Frames]:
    path = source.on_disk()
    blocks = Blocks(path)
    try:
        blocks.check()
    except Broken as e:
        raise LogFormatError(f"{source.path.name}: damaged measurement file: {e}. Nothing can be read.") from None
    if blocks.cut:
        account.lose("cut", blocks.size, blocks.cut, "the file ends inside a block")
    mdf = _opened(str(path), source.path.name)
    try:
        start_us = _start(mdf, account)
        labels = Labels()
        yield from _merged([_group(mdf, i, name, start_us, labels, account) for i, name in _groups(mdf)])
    finally:
        mdf.close()


def _opened(path: str, name: str) -> Any:
    try:
        from asammdf import MDF
    except ImportError:
        raise LogFormatError(f"{name}: reading .mf4 needs asammdf; install herdbook[mf4].") from None
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    try:
        return MDF(path)
    except Exception as e:  # a damaged file raises almost anything there
        raise LogFormatError(f"{name}: the measurement file cannot be opened: {type(e).__name__}: {e}") from None


def _start(mdf: Any, account: Account) -> int:
    start = mdf.header.start_time
    if mdf.header.time_flags & LOCAL_TIME:
        account.clock, account.wall = "relative", start.replace(tzinfo=None).isoformat()
        return 0
    account.clock = "utc"
    seconds = start.astimezone(UTC).timestamp()
    return int(seconds // 1 * 1_000_000) + int(start.microsecond)


def _groups(mdf: Any) -> Iterator[tuple[int, str]]:
    for i, group in enumerate(mdf.groups):
        if group.channel_group.flags & BUS_EVENT:
            names = {channel.name for channel in group.channels}
            yield from ((i, name) for name in KINDS if name in names)


def _group(mdf: Any, index: int, name: str, start_us: int, labels: Labels, account: Account) -> Iterator[Frames]:
    count = int(mdf.groups[index].channel_group.cycles_nr)
    for offset in range(0, count, BATCH):
        try:
            signal = mdf.get(name, index, raw=True, record_offset=offset, record_count=BATCH)
        except Exception as e:
            account.lose("record", 0, 1, f"{name}: records from {offset} on cannot be read: {type(e).__name__}: {e}")
            return
        if not len(signal.timestamps):
            account.lose("cut", 0, 1, f"{name}: {offset} of {count} records are there")
            return
        yield _frames(signal.samples, signal.timestamps, KINDS[name], start_us, labels)


def _frames(samples: NDArray[Any], stamps: NDArray[np.float64], kind: int, start_us: int,
            labels: Labels) -> Frames:
    member = {str(n).rpartition(".")[2]: samples[n] for n in samples.dtype.names or ()}
    n = len(stamps)
    data = member.get("DataBytes", np.zeros((n, 0), np.uint8))
    wide = data.ndim == 2 and data.shape[1] > 8 and "EDL" in member and bool(member["EDL"].any())
    rows = Rows(n, 64 if wide else 8)
    sound = np.isfinite(stamps) & (np.abs(stamps) < 2.0**40)
    rows.t[:] = np.rint(np.where(sound, stamps, 0) * 1e6).astype(np.int64) + start_us
    rows.can_id[:] = member.get("ID", np.zeros(n)).astype(np.int64) & 0x1FFF_FFFF
    flags = np.full(n, kind, np.uint8)
    for name, flag in BITS:
        flags |= np.where(member.get(name, np.zeros(n)).astype(np.int64) != 0, flag, 0).astype(np.uint8)
    sender = member.get("Dir", np.zeros(n))
    sent = np.char.upper(sender) == b"TX" if sender.dtype.kind == "S" else sender != 0
    rows.flags[:] = flags | np.where(sent, TX, 0).astype(np.uint8)
    code = np.minimum(member.get("DLC", np.zeros(n)).astype(np.int64), 15)
    told = np.where(flags & FD, FD_LENGTHS[code], np.minimum(code, 8))
    held = member.get("DataLength", told).astype(np.int64) if kind != REMOTE else told
    rows.length[:] = np.minimum(held, rows.payload.shape[1])
    if kind != REMOTE and data.ndim == 2:
        width = min(data.shape[1], rows.payload.shape[1])
        within = np.arange(width) < rows.length[:, None]
        rows.payload[:, :width] = np.where(within, data[:, :width], 0)
    rows.channel[:] = labels.of_numbers(member.get("BusChannel", np.zeros(n)).astype(np.uint16))
    return rows.frames(labels, None if sound.all() else sound)


def _merged(groups: list[Iterator[Frames]]) -> Iterator[Frames]:
    """Batches of several groups in time order; each group is taken to be in order itself."""
    held: dict[int, Frames] = {}
    waiting = dict(enumerate(groups))
    while True:
        for i in [i for i in waiting if i not in held]:
            if (frames := next(waiting[i], None)) is None:
                del waiting[i]
            elif len(frames):
                held[i] = frames
        if not held:
            if not waiting:
                return
            continue
        horizon = min((int(f.t.max()) for i, f in held.items() if i in waiting), default=2**62)
        ready = []
        for i, frames in list(held.items()):
            n = int(np.searchsorted(np.maximum.accumulate(frames.t), horizon, side="right"))
            ready.append(cut(frames, slice(0, n)))
            held[i] = cut(frames, slice(n, None))
            if not len(held[i]):
                del held[i]
        joined = join_frames([f for f in ready if len(f)]) if len(ready) > 1 else ready[0]
        yield cut(joined, np.argsort(joined.t, kind="stable")) if len(ready) > 1 else joined


def cut(frames: Frames, rows: slice | NDArray[np.int64]) -> Frames:
    return Frames(frames.t[rows], frames.channel[rows], frames.can_id[rows], frames.flags[rows],
                  frames.length[rows], frames.payload[rows], frames.channels)


READER = Reader(name="mf4", looks=lambda head: head[:8] in (b"MDF     ", b"UnFinMF ") and head[8:9] == b"4",
                read=read)
