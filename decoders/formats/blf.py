"""Binary logs of the LOGG/LOBJ container kind (.blf).

A file header ("LOGG", 144 bytes, start time as SYSTEMTIME), then objects ("LOBJ"). Most are containers: a
piece of a stream of further objects, deflated or as it is; an object may reach over from one container into
the next. By the signature reading goes on behind damage, which costs the container it hits and no more.

    object   "LOBJ", header size u16, header version u16, object size u32, type u32, then flags u32 (1: stamps
             count 10 us, else 1 ns), 4 bytes, stamp u64 from the start of the file; version 2 adds 8 bytes
    types    1, 86 CAN; 73 error frame; 100, 101 CAN FD; 10 container; all others are no frames: passed over
Channels count from 1 and keep that label. The start time is taken as UTC; year 0 means the clock is relative.
Source: no official document is public; layouts as python-can's reader has them, checked against it.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders.arrays import I64, U16, U32, U64, Bytes
from herdbook.decoders.errors import LogFormatError
from herdbook.decoders.frames import BRS, ERROR, ESI, FD, REMOTE, TX, Frames
from herdbook.decoders.reading import inflate
from herdbook.decoders.reading.reader import Account, Reader
from herdbook.decoders.reading.rows import FD_LENGTHS, Labels, Rows
from herdbook.decoders.reading.source import Source
from herdbook.decoders.text.fields import KEEP_FIRST

FILE_HEADER = struct.Struct("<4sL8BQQLL8H8H")
OBJECT = struct.Struct("<4sHHLL")
CONTAINER = struct.Struct("<H6xL4x")
SIGNATURE = b"LOBJ"
MARK = np.uint32(int.from_bytes(SIGNATURE, "little"))
BATCH_BYTES = 1 << 20  # unpacked objects parsed at once
MAX_OBJECT = 1 << 26  # bytes; containers seen in the field have 128 KB to 1 MB
MAX_UNPACKED = 1 << 27
FIELD_BYTES = {1: 16, 86: 16, 73: 32, 100: 20, 101: 40}  # by object type: what a frame's fields need at least
EDGE = 128  # bytes behind a batch, so that fields of its last object can be loaded


class Objects(NamedTuple):
    """Objects of one batch: where each begins and ends, its type, and where its own fields begin."""

    start: I64
    end: I64
    kind: U32
    fields: I64


def read(source: Source, account: Account) -> Iterator[Frames]:
    start_us = _file_header(source, account)
    labels = Labels()
    pieces: list[bytes] = []
    at, size = 0, 0
    for offset, piece in _pieces(source, account):
        if piece is None:  # a gap: what was begun before it cannot be finished
            if pieces:
                yield _parse(b"".join(pieces), at, start_us, labels, account, final=True)[0]
            pieces, size = [], 0
            continue
        at = at if pieces else offset
        pieces.append(piece)
        size += len(piece)
        if size >= BATCH_BYTES:
            batch = b"".join(pieces)
            frames, rest = _parse(batch, at, start_us, labels, account, final=False)
            pieces, at = [batch[rest:]] if rest < len(batch) else [], offset
            size = len(batch) - rest
            yield frames
    if pieces:
        yield _parse(b"".join(pieces), at, start_us, labels, account, final=True)[0]


def _file_header(source: Source, account: Account) -> int:
    """Start of the measurement, microseconds; leaves the source behind the header."""
    head = source.read(FILE_HEADER.size)
    if len(head) < FILE_HEADER.size:
        raise LogFormatError(f"{source.path.name}: ends inside the file header; nothing in it can be read.")
    fields = FILE_HEADER.unpack(head)
    size, claimed = fields[1], fields[10]
    rest = size - FILE_HEADER.size
    if 0 < rest <= 4096 and (missing := rest - len(source.read(rest))):
        account.lose("cut", source.offset, missing, "the file ends inside its header")
    if claimed > source.size and not source.packed:
        account.lose("cut", source.size, min(claimed, 2**62) - source.size, f"the header speaks of {claimed} bytes")
    year, month, _, day, hour, minute, second, milli = fields[14:22]
    try:
        start = datetime(year, month, day, hour, minute, second=second, microsecond=milli * 1000, tzinfo=UTC)
    except ValueError:
        account.clock = "relative"
        return 0
    account.clock = "utc"
    return round(start.timestamp() * 1000) * 1000


def _pieces(source: Source, account: Account) -> Iterator[tuple[int, bytes | None]]:
    """(offset in the file, bytes of the object stream); None in place of bytes where some are missing."""
    while True:
        at = source.offset
        head = source.peek(OBJECT.size)
        if not head:
            return
        if len(head) < OBJECT.size:
            if source.read(OBJECT.size).strip(b"\0"):
                account.lose("cut", at, len(head), "the file ends inside an object header")
            return
        signature, header_size, _, size, kind = OBJECT.unpack(head)
        if signature != SIGNATURE or not OBJECT.size <= size <= MAX_OBJECT:
            yield at, None
            _resync(source, account, at, skip=signature == SIGNATURE)
            continue
        body = source.read(size)
        if len(body) < size:
            account.lose("cut", at, len(body), f"the file ends inside an object of {size} bytes")
        if kind != 10:
            yield at, body + b"\0" * (size % 4)
        else:
            yield from _container(body[max(header_size, OBJECT.size) :], at, account)
        padding = size % 4
        if source.peek(4)[:padding].strip(b"\0") == b"":
            source.read(padding)


def _resync(source: Source, account: Account, at: int, skip: bool) -> None:
    """Go on at the next signature; everything before it is lost."""
    if skip:
        source.read(len(SIGNATURE))
    while True:
        window = source.peek(1 << 16)
        found = window.find(SIGNATURE)
        source.read(found if found >= 0 else max(len(window) - 3, 1))
        if found >= 0 or not window:
            break
    account.lose("record", at, source.offset - at, "no sound object where one should begin")


def _container(body: bytes, at: int, account: Account) -> Iterator[tuple[int, bytes | None]]:
    if len(body) < CONTAINER.size:
        yield at, None
        return
    method, claimed = CONTAINER.unpack_from(body)
    data = body[CONTAINER.size :]
    if method == 0:
        yield at, data
        return
    if method != 2:
        account.lose("record", at, len(body), f"container packed by unknown method {method}")
        yield at, None
        return
    machine = inflate.machine()
    out, fault = [], ""
    try:
        limit = min(max(claimed, 1), MAX_UNPACKED)
        out.append(machine.decompress(data, limit))
        if machine.unconsumed_tail and not machine.eof:
            account.lose("limit", at, len(body), f"container unpacks to more than {limit} bytes")
    except inflate.ERRORS as e:
        fault = str(e)
        out = [_what_unpacks(data, claimed)]
    whole = b"".join(out)
    if fault:
        account.lose("record", at, len(body), f"damaged container, {len(whole)} bytes kept: {fault}")
    elif len(whole) < claimed:
        account.lose("record", at, len(body), f"container holds {len(whole)} of {claimed} bytes")
    yield at, whole
    if fault or len(whole) < claimed:
        yield at, None


def _what_unpacks(data: bytes, claimed: int) -> bytes:
    """The sound beginning of a damaged deflate stream."""
    machine = inflate.machine()
    out = bytearray()
    try:
        for i in range(0, len(data), 256):
            out += machine.decompress(data[i : i + 256], MAX_UNPACKED)
            if len(out) >= claimed:
                break
    except inflate.ERRORS:
        pass
    return bytes(out[:claimed])


def _parse(
    batch: bytes,
    at: int,
    start_us: int,
    labels: Labels,
    account: Account,
    final: bool,
) -> tuple[Frames, int]:
    """Frames of the whole objects in a batch, and where the first unfinished one begins."""
    data = np.frombuffer(batch + b"\0" * EDGE, np.uint8)
    objects, rest, lost = _objects(data, len(batch), final)
    if lost:
        account.lose("record", at, lost, "bytes of the object stream that belong to no object")
    return _frames(data, objects, start_us, labels), rest


def _objects(data: Bytes, size: int, final: bool) -> tuple[Objects, int, int]:
    """Whole objects, where the first unfinished one begins, and how many bytes belong to none."""
    starts = np.flatnonzero(data[: size & ~3].view("<u4") == MARK) * 4  # nearly always aligned
    if not _is_chain(data, starts, size):
        every = np.ndarray((max(size - 3, 0),), "<u4", data.data, strides=(1,))
        starts = np.flatnonzero(every == MARK)
        if not _is_chain(data, starts, size):
            starts = _walk(data, starts, size)
    ends = starts + _sizes(data, starts)
    whole = ends <= size
    lost = int(starts[0]) if len(starts) else (size if final else 0)
    gaps = starts[1:] - ends[:-1]
    lost += int(gaps[gaps >= 8].sum())
    rest = size if final or not len(starts) else int(ends[-1])
    if not whole.all():
        rest = int(starts[-1])
        lost += size - rest if final else 0
    elif not final:
        rest = int(ends[-1]) if len(ends) else 0
    starts, ends = starts[whole], ends[whole]
    version = _u16(data, starts + 6)
    if not (version == 1).all():
        known = (version == 1) | (version == 2)
        starts, ends, version = starts[known], ends[known], version[known]
    fields = starts + np.where(version == 2, 40, 32)
    return Objects(starts, ends, _u32(data, starts + 12), fields), rest, lost


def _sizes(data: Bytes, starts: I64) -> I64:
    return np.maximum(_u32(data, starts + 8).astype(np.int64), 32)


def _is_chain(data: Bytes, starts: I64, size: int) -> bool:
    """True when each object begins where the one before ends, but for padding, up to the end of the batch."""
    if not len(starts) or starts[0] > 3:
        return False
    ends = starts + _sizes(data, starts)
    gaps = np.append(starts[1:], max(size, int(ends[-1]))) - ends
    return bool(((gaps >= 0) & (gaps < 8)).all())


def _walk(data: Bytes, starts: I64, size: int) -> I64:
    """The chain with false signatures inside objects left out: one step an object, only for odd batches."""
    sizes = _sizes(data, starts)
    kept, free = [], 0
    for start, length in zip(starts.tolist(), sizes.tolist(), strict=True):
        if start >= free and length <= MAX_OBJECT:
            kept.append(start)
            free = start + length
            if free > size:
                nested = starts[starts > start]
                if len(nested) and length > 4096:  # an impossible size hides sound objects behind it
                    kept.pop()
                    free = start + 4
    return np.array(kept, np.int64)


def _frames(data: Bytes, o: Objects, start_us: int, labels: Labels) -> Frames:
    kinds = np.unique(o.kind).tolist()
    if kinds not in ([1], [86]):  # other kinds, or several
        needs = np.select([o.kind == kind for kind in FIELD_BYTES], list(FIELD_BYTES.values()), 1 << 40)
        frame = o.end - o.fields >= needs
        o = Objects(o.start[frame], o.end[frame], o.kind[frame], o.fields[frame])
        kinds = np.unique(o.kind).tolist()
    rows = Rows(len(o.start), 64 if 100 in kinds or 101 in kinds else 8)
    stamps = _u64(data, o.start + 24)
    tens = _u32(data, o.start + 16) == 1
    micros = (stamps + np.uint64(500)) // np.uint64(1000)
    if tens.any():
        micros = np.where(tens, stamps * np.uint64(10), micros)
    rows.t[:] = np.minimum(micros, np.uint64(2**61)).view(np.int64) + start_us
    channel = np.zeros(len(o.start), np.uint16)
    for kind in kinds:
        some = np.flatnonzero(o.kind == kind) if len(kinds) > 1 else np.arange(len(o.kind))
        channel[some] = FILL[kind](data, some, o, rows)
    rows.channel[:] = labels.of_numbers(channel)
    return rows.frames(labels)


def _classic(data: Bytes, some: I64, o: Objects, rows: Rows) -> U16:
    at = o.fields[some]
    head = _u64(data, at)
    flags, length = (head >> np.uint64(16)).astype(np.uint8), (head >> np.uint64(24)).astype(np.uint8)
    _identifier(rows, some, (head >> np.uint64(32)).astype(np.uint32))
    if (flags & 0x81).any():
        rows.flags[some] |= _bits((flags & 0x80, REMOTE), (flags & 1, TX))
    rows.length[some] = np.minimum(length, 8)
    _data(data, some, at + 8, rows)
    return head.astype(np.uint16)


def _error(data: Bytes, some: I64, o: Objects, rows: Rows) -> U16:
    at = o.fields[some]
    _identifier(rows, some, _u32(data, at + 16))
    rows.flags[some] |= ERROR
    rows.length[some] = np.minimum(data[at + 10], 8)
    _data(data, some, at + 24, rows)
    return _u16(data, at)


def _fd(data: Bytes, some: I64, o: Objects, rows: Rows) -> U16:
    at = o.fields[some]
    flags, dlc, bits = data[at + 2], data[at + 3], data[at + 13]
    _identifier(rows, some, _u32(data, at + 4))
    rows.flags[some] |= _bits((flags & 0x80, REMOTE), (flags & 1, TX), (bits & 1, FD), (bits & 2, BRS), (bits & 4, ESI))
    remote = rows.flags[some] & REMOTE != 0
    rows.length[some] = np.where(remote, FD_LENGTHS[np.minimum(dlc, 15)], np.minimum(data[at + 14], 64))
    _data(data, some, at + 20, rows, np.clip(o.end[some] - at - 20, 0, 64))
    return _u16(data, at)


def _fd64(data: Bytes, some: I64, o: Objects, rows: Rows) -> U16:
    at = o.fields[some]
    dlc, valid, bits = data[at + 1], data[at + 2], _u32(data, at + 12)
    _identifier(rows, some, _u32(data, at + 4))
    rows.flags[some] |= _bits(
        (data[at + 34], TX), (bits & 0x10, REMOTE), (bits & 0x1000, FD), (bits & 0x2000, BRS), (bits & 0x4000, ESI)
    )
    remote = rows.flags[some] & REMOTE != 0
    rows.length[some] = np.where(remote, FD_LENGTHS[np.minimum(dlc, 15)], np.minimum(valid, 64))
    beyond = data[at + 35].astype(np.int64)  # where other data begins, from the object's start; 0: nowhere
    end = np.where(beyond > 0, np.minimum(o.start[some] + beyond, o.end[some]), o.end[some])
    _data(data, some, at + 40, rows, np.clip(end - at - 40, 0, 64))
    return data[at].astype(np.uint16)


FILL: dict[int, Callable[[Bytes, I64, Objects, Rows], U16]] = {
    1: _classic,
    86: _classic,
    73: _error,
    100: _fd,
    101: _fd64,
}


def _identifier(rows: Rows, some: I64, number: U32) -> None:
    rows.can_id[some] = number & np.uint32(0x1FFF_FFFF)
    rows.flags[some] |= (number >> np.uint32(31)).astype(np.uint8)  # EXTENDED is bit 0


def _data(data: Bytes, some: I64, at: I64, rows: Rows, room: I64 | None = None) -> None:
    """Copy payloads from `at`, as long as frame and object say; remote frames carry none."""
    held = rows.length[some].astype(np.int64)
    if (rows.flags[some] & REMOTE).any():
        held[(rows.flags[some] & REMOTE) != 0] = 0
    held = held if room is None else np.minimum(held, room)
    words = rows.words()
    for k in range((int(held.max(initial=0)) + 7) // 8):
        keep = KEEP_FIRST[np.clip(held - 8 * k, 0, 8)]
        words[some, k] = _u64(data, np.minimum(at + 8 * k, len(data) - 8)) & keep


def _bits(*pairs: tuple[NDArray[Any], int]) -> Bytes:
    out = np.zeros(len(pairs[0][0]), np.uint8)
    for bit, flag in pairs:
        out[bit != 0] |= flag
    return out


def _u64(data: Bytes, at: I64) -> U64:
    return np.asarray(np.ndarray((len(data) - 7,), "<u8", data.data, strides=(1,))[at])


def _u32(data: Bytes, at: I64) -> U32:
    return np.asarray(np.ndarray((len(data) - 3,), "<u4", data.data, strides=(1,))[at])


def _u16(data: Bytes, at: I64) -> U16:
    return np.asarray(np.ndarray((len(data) - 1,), "<u2", data.data, strides=(1,))[at])


READER = Reader(name="blf", looks=lambda head: head.startswith(b"LOGG"), read=read)
