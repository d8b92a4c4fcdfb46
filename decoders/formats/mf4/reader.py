"""Bus logs in measurement files, version 4 (.mf4, ASAM MDF with bus logging).

Each channel group of bus events holds a structure CAN_DataFrame, CAN_ErrorFrame or CAN_RemoteFrame with the members
BusChannel, ID, IDE, DLC, DataLength, DataBytes, Dir, EDL, BRS, ESI. Groups are merged by time. Channels keep the
number of the file as label. Records of several groups may be mixed in one stream (herdbook.decoders.formats.mf4.mixed).
Source: ASAM MDF 4.1 and its bus logging, layouts from memory; checked against files of asammdf and python-can.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from herdbook.decoders.arrays import F64, I64, Bytes
from herdbook.decoders.decoding.extract import Words, raw_bits, scaled
from herdbook.decoders.errors import LogFormatError
from herdbook.decoders.formats.mf4.blocks import MAX_META, BlockFile, Broken
from herdbook.decoders.formats.mf4.groups import Channel, ChannelGroup, bus_groups, header, number_and_size
from herdbook.decoders.formats.mf4.mixed import mixed_entries, mixed_records
from herdbook.decoders.formats.mf4.variable import Variable
from herdbook.decoders.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, TX, Frames, merged
from herdbook.decoders.reading.reader import Account, Reader
from herdbook.decoders.reading.rows import FD_LENGTHS, Labels, Rows
from herdbook.decoders.reading.source import Source

UNFINISHED = b"UnFinMF "
KINDS = {"CAN_DataFrame": 0, "CAN_ErrorFrame": ERROR, "CAN_RemoteFrame": REMOTE}
NEEDED = {"CAN_DataFrame": ("ID", "DataBytes"), "CAN_ErrorFrame": (), "CAN_RemoteFrame": ("ID",)}
BITS = (("IDE", EXTENDED), ("EDL", FD), ("BRS", BRS), ("ESI", ESI), ("Dir", TX))
NUMBERS = ("ID", "DLC", "DataLength", "BusChannel", *(name for name, _ in BITS))
Members = dict[str, Any]  # arrays by member name, each (n,) or (n, bytes)


def read(source: Source, account: Account) -> Iterator[Frames]:
    if source.peek(8) == UNFINISHED:
        account.lose("cut", 0, 0, "the logger did not finish this file: frames may be missing at its end")
    blocks = BlockFile(source.on_disk())
    try:
        start_ns, local, _ = header(blocks)
        groups = list(bus_groups(blocks, tuple(KINDS)))
    except Broken as e:
        raise LogFormatError(f"{source.path.name}: damaged measurement file: {e}. Nothing in it can be read.") from None
    start_us = start_ns // 1000
    if local:
        account.clock, account.wall = "relative", _wall(start_us)
        start_us = 0
    labels = Labels()
    yield from merged([_group(blocks, group, start_us, labels, account) for group in groups])
    if blocks.oddly_turned:
        what = "a packed block is laid out by another width than its records have: its frames may be wrong"
        account.lose("record", blocks.oddly_turned, 0, what)
    if blocks.cut:
        account.lose("cut", blocks.size, blocks.cut, "the file ends inside a block")


def _wall(start_us: int) -> str:
    try:
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=start_us)).replace(tzinfo=None).isoformat()
    except OverflowError:
        return ""


def _group(blocks: BlockFile, group: ChannelGroup, start_us: int, labels: Labels, account: Account) -> Iterator[Frames]:
    done = 0
    try:
        for members in _members(blocks, group):
            if not (left := group.records - done):
                if not done:
                    what = f"{group.name}: the file counts no records, but there are some; they are left out"
                    account.lose("record", 0, len(members["time"]) * group.size, what)
                return
            done += min(len(members["time"]), left)
            yield _frames({k: v[:left] for k, v in members.items()}, KINDS[group.name], start_us, labels)
    except Broken as e:
        missing = max(1, (group.records - done) * group.size)
        account.lose("record", 0, missing, f"{group.name}, after {done} records: {e}")
        return
    if done < group.records:
        account.lose(
            "cut",
            blocks.size,
            (group.records - done) * group.size,
            f"{group.name}: {done} of {group.records} records are there",
        )


def _members(blocks: BlockFile, group: ChannelGroup) -> Iterator[Members]:
    """Members of the frames of a group, and `time` in seconds."""
    if lacks := [name for name in NEEDED[group.name] if name not in group.members]:
        raise Broken(f"its records hold no {' and no '.join(lacks)}")
    lengthy = group.members.get("DataBytes")
    variable = Variable(_entries(blocks, group, lengthy.data)) if lengthy and lengthy.data else None
    for records in _records(blocks, group) if group.alone else mixed_records(blocks, group):
        width = records.shape[1]
        words = Words(records if width >= 8 else np.pad(records, ((0, 0), (0, 8 - width))))
        members: Members = {}
        for name, channel in group.members.items():
            if channel.bits.end_bit > 8 * width:
                raise Broken(f"the member {name} lies outside its record")
            if name == "DataBytes" and not variable:
                first = channel.bits.start // 8
                members[name] = records[:, first : first + channel.bits.length // 8]
            elif 1 <= channel.bits.length <= 64:
                members[name] = raw_bits(words, channel.bits).view(np.int64)
            elif name in NUMBERS:
                raise Broken(f"the member {name} has {channel.bits.length} bits")
        if variable is not None:
            members["DataBytes"] = variable.take(members["DataBytes"], 64)
        yield members | {"time": _seconds(words, group.time, width)}


def _entries(blocks: BlockFile, group: ChannelGroup, address: int) -> Iterator[bytes]:
    """Data of variable length: a block of its own, or the entries of a group that are mixed among the records."""
    if group.alone:
        return blocks.data(address)
    return mixed_entries(blocks, group, number_and_size(blocks.block(address, b"##CG"))[0])


def _records(blocks: BlockFile, group: ChannelGroup) -> Iterator[Bytes]:
    """Records of a group that has its data to itself, uint8 (n, size), without their identifiers."""
    width = group.size + group.skip
    if not 0 < width <= MAX_META:
        raise Broken(f"records of {width} bytes")
    rest = b""
    for piece in blocks.data(group.data, width):
        rest = rest + piece if rest else piece
        if whole := len(rest) // width * width:
            yield np.frombuffer(rest, np.uint8, whole).reshape(-1, width)[:, group.skip :]
            rest = rest[whole:]


def _seconds(words: Words, time: Channel | None, width: int) -> F64:
    if time is None or time.bits.length not in (8, 16, 32, 64) or time.bits.end_bit > 8 * width:
        raise Broken("its records hold no time")
    with np.errstate(all="ignore"):  # impossible stamps are sorted out later
        return np.asarray(scaled(time.bits, raw_bits(words, time.bits)) * np.float64(time.factor) + time.offset)


def _frames(members: Members, kind: int, start_us: int, labels: Labels) -> Frames:
    seconds = members["time"]
    n = len(seconds)

    def number(name: str) -> I64:
        return np.asarray(members[name], np.int64) if name in members else np.zeros(n, np.int64)

    flags = np.full(n, kind, np.uint8)
    for name, flag in BITS:
        flags |= np.where(number(name) != 0, flag, 0).astype(np.uint8)
    code = np.clip(number("DLC"), 0, 15)
    told = np.where(flags & FD, FD_LENGTHS[code], np.minimum(code, 8))
    held = number("DataLength") if kind != REMOTE and "DataLength" in members else told
    rows = Rows(n, 64 if bool((flags & FD).any()) else 8)
    rows.flags[:], rows.can_id[:] = flags, number("ID") & 0x1FFF_FFFF
    rows.length[:] = np.clip(held, 0, rows.payload.shape[1])
    rows.channel[:] = labels.of_numbers((number("BusChannel") & 0xFFFF).astype(np.uint16))
    sound = np.isfinite(seconds) & (np.abs(seconds) < 2.0**40)
    rows.t[:] = np.rint(np.where(sound, seconds, 0.0) * 1e6).astype(np.int64) + start_us
    if kind != REMOTE and "DataBytes" in members:
        rows.fill(members["DataBytes"])
    return rows.frames(labels, None if sound.all() else sound)


READER = Reader(name="mf4", looks=lambda head: head[:8] in (b"MDF     ", UNFINISHED) and head[8:9] == b"4", read=read)
