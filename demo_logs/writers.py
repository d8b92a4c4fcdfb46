"""Frames to log files: candump text (.log), and the formats of other loggers (.blf, .asc, .mf4); .log.gz too.

With `relative` the log begins at 0 and does not know when that was.
Same frames, same bytes: nothing of the clock of the machine that writes gets into a file.
"""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from herdbook.decoders.arrays import I64, Bytes
from herdbook.decoders.frames import BRS, EXTENDED, FD, Frames

HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)


def write_log(path: Path, frames: Frames, relative: bool = False) -> None:
    """Write all frames; the format goes by the file's suffix. Raises: ValueError for an unknown one."""
    suffix = "".join(path.suffixes[-2:]) if path.suffix == ".gz" else path.suffix
    if suffix not in WRITERS:
        raise ValueError(f"{path.name}: no writer for {suffix!r}; known: {', '.join(sorted(WRITERS))}")
    if relative:
        frames = replace(frames, t=frames.t - frames.t[0])
    WRITERS[suffix](path, frames)


def _candump(path: Path, frames: Frames) -> None:
    path.write_bytes(candump_text(frames))


def _candump_gz(path: Path, frames: Frames) -> None:
    path.write_bytes(gzip.compress(candump_text(frames), 9, mtime=0))


def candump_text(frames: Frames) -> bytes:
    """All frames as candump -L lines, built shape by shape without a loop over frames."""
    fd, long = (frames.flags & FD) != 0, (frames.flags & EXTENDED) != 0
    seconds = frames.t // 1_000_000
    digits = np.char.str_len(seconds.astype(str)) if len(frames) else np.zeros(0, np.int64)
    head = 1 + np.maximum(digits, 10) + 1 + 6 + 2
    label = np.array([len(c) for c in frames.channels])[frames.channel]
    size = head + label + 1 + np.where(long, 8, 3) + np.where(fd, 3, 1) + 2 * frames.length.astype(np.int64) + 1
    starts = np.concatenate([[0], np.cumsum(size)[:-1]]).astype(np.int64)
    out = np.empty(int(size.sum()), np.uint8)
    shape = np.stack([frames.channel, fd, long, frames.length, size], axis=1).astype(np.int64)
    for row in np.unique(shape, axis=0):
        rows = np.flatnonzero((shape == row).all(axis=1))
        lines = _lines(frames, rows, frames.channels[row[0]], bool(row[1]), bool(row[2]), int(row[3]))
        out[starts[rows][:, None] + np.arange(lines.shape[1])] = lines
    return out.tobytes()


def _lines(frames: Frames, rows: I64, label: str, fd: bool, long: bool, length: int) -> Bytes:
    """Lines of one shape, uint8 (rows, width)."""
    n = len(rows)
    t = frames.t[rows]
    text = [_const("(", n), _decimal(t // 1_000_000, 10), _const(".", n), _decimal(t % 1_000_000, 6)]
    text.append(_const(f") {label} ", n))
    text.append(_hex(frames.can_id[rows].astype(np.int64), 8 if long else 3))
    if fd:
        text.append(_const("##", n))
        text.append(_hex((frames.flags[rows] & BRS != 0).astype(np.int64), 1))
    else:
        text.append(_const("#", n))
    payload = frames.payload[rows, :length]
    text.append(np.stack([HEX[payload >> 4], HEX[payload & 15]], axis=2).reshape(n, 2 * length))
    text.append(_const("\n", n))
    return np.concatenate(text, axis=1)


def _const(text: str, rows: int) -> Bytes:
    return np.broadcast_to(np.frombuffer(text.encode(), np.uint8), (rows, len(text)))


def _decimal(value: I64, width: int) -> Bytes:
    places = 10 ** np.arange(width - 1, -1, -1, dtype=np.int64)
    return np.asarray(value[:, None] // places % 10 + 48).astype(np.uint8)


def _hex(value: I64, width: int) -> Bytes:
    shifts = 4 * np.arange(width - 1, -1, -1, dtype=np.int64)
    return np.asarray(HEX[(value[:, None] >> shifts) & 15])


def _by_python_can(path: Path, frames: Frames) -> None:
    """.blf and .asc through python-can's own writers, one message at a time: the outside reference."""
    import can

    options = {"compression_level": 9} if path.suffix == ".blf" else {}
    with can.Logger(str(path), **options) as writer:
        for i in range(len(frames)):
            flags = int(frames.flags[i])
            message = can.Message(
                timestamp=int(frames.t[i]) / 1e6,
                arbitration_id=int(frames.can_id[i]),
                is_extended_id=bool(flags & EXTENDED),
                is_fd=bool(flags & FD),
                bitrate_switch=bool(flags & BRS),
                channel=int(frames.channel[i]),
                data=frames.payload[i, : frames.length[i]].tobytes(),
            )
            writer.on_message_received(message)


def _asc(path: Path, frames: Frames) -> None:
    """The writer stamps the machine's time and zone into the head: put the log's start there, in UTC."""
    _by_python_can(path, frames)
    start = datetime.fromtimestamp(int(frames.t[0]) / 1e6, UTC)
    date = start.strftime(f"%a %b %d %H:%M:%S.{start.microsecond // 1000:03d} %Y")
    text = re.sub(rb"(?m)^(date|Begin Triggerblock) .*$", rb"\1 " + date.encode(), path.read_bytes(), count=2)
    path.write_bytes(text)


def _asc_gz(path: Path, frames: Frames) -> None:
    plain = path.with_suffix("")
    _asc(plain, frames)
    path.write_bytes(gzip.compress(plain.read_bytes(), 9, mtime=0))
    plain.unlink()


def _mf4(path: Path, frames: Frames) -> None:
    from demo_logs.mf4 import write_mf4

    write_mf4(path, frames)


WRITERS: dict[str, Callable[[Path, Frames], None]] = {
    ".log": _candump,
    ".log.gz": _candump_gz,
    ".blf": _by_python_can,
    ".asc": _asc,
    ".asc.gz": _asc_gz,
    ".mf4": _mf4,
}
