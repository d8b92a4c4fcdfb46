"""A long log read by several threads gives the frames, losses and labels that one thread gives."""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from herdbook.decoders import open_log
from herdbook.decoders.arrays import Bytes
from herdbook.decoders.frames import Frames
from herdbook.decoders.log import Log
from herdbook.decoders.reading import side_by_side

START = 1_700_000_000
LINES = 60_000  # five blocks and more


def lines(kind: str) -> list[bytes]:
    out = []
    for i in range(LINES):
        channel = b"can0" if i < LINES // 3 else (b"can1", b"can0", b"vcan12")[i % 3]
        out.append(b"(%d.%06d) %s %03X#%016X\n" % (START + i // 1000, i % 1000 * 1000, channel, i % 0x7FF, i * 7919))
    if kind == "mixed":
        for i in range(0, LINES, 9000):
            out[i] = b"(%d.000001) can2 18FEEE00#0102\n" % START
            out[i + 1] = b"(%d.000002) can7 123##5AABB\n" % START
            out[i + 2] = b"(%d.000003) can0 123#R4\n" % START
            out[i + 3] = b"this is no frame\n"
        out.append(b"(%d.000004) can0 100#0304" % (START + 100))  # may be half a frame
    if kind == "same identifier last":
        out.append(b"(%d.000004) can0 %03X#0102030405060708" % (START + 100, (LINES - 1) % 0x7FF))
    if kind == "many labels":
        out = [line.replace(b"can1", b"c%d" % (i // 7 % 300)) for i, line in enumerate(out)]
    return out


def everything(log: Log) -> tuple[list[Frames], list[object], object]:
    chunks = list(log.chunks())
    return chunks, list(log.losses), log.clock


@pytest.mark.parametrize("kind", ["alike", "mixed", "same identifier last", "many labels"])
@pytest.mark.parametrize("packed", [False, True])
def test_threads_change_nothing(kind: str, packed: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / ("a.log.gz" if packed else "a.log")
    text = b"".join(lines(kind))
    path.write_bytes(gzip.compress(text, 1) if packed else text)
    one = everything(open_log(path))
    monkeypatch.setattr(side_by_side, "LONG_BYTES", 0)
    monkeypatch.setattr(os, "cpu_count", lambda: 3)
    several = everything(open_log(path))
    assert len(one[0]) == len(several[0]) > 3
    for a, b in zip(one[0], several[0], strict=True):
        for name in ("t", "channel", "can_id", "flags", "length", "payload"):
            assert np.array_equal(getattr(a, name), getattr(b, name)), name
        assert a.channels == b.channels
    assert one[1:] == several[1:]


def test_a_reader_that_stops_half_way_leaves_nothing_running(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(b"".join(lines("alike")))
    monkeypatch.setattr(side_by_side, "LONG_BYTES", 0)
    monkeypatch.setattr(os, "cpu_count", lambda: 3)
    pools: list[ThreadPoolExecutor] = []
    made: Callable[..., ThreadPoolExecutor] = ThreadPoolExecutor

    def noted(threads: int) -> ThreadPoolExecutor:
        pools.append(made(threads))
        return pools[-1]

    monkeypatch.setattr(side_by_side, "ThreadPoolExecutor", noted)
    chunks = open_log(path).chunks()
    next(iter(chunks))
    chunks.close()  # type: ignore[attr-defined]
    (pool,) = pools
    for thread in pool._threads:
        thread.join(60)  # it ends its block first
    assert all(not thread.is_alive() for thread in pool._threads)


def test_a_short_log_has_one_thread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(b"".join(lines("alike")))

    def none(threads: int) -> None:
        raise AssertionError("threads were started")

    monkeypatch.setattr(side_by_side, "ThreadPoolExecutor", none)
    assert sum(len(frames) for frames in open_log(path).chunks()) == LINES


def test_what_fails_on_the_way_is_told_behind_what_came_before() -> None:
    def blocks() -> Iterator[tuple[int, Bytes]]:
        for i in range(3):
            yield i, np.zeros(1, np.uint8)
        raise OSError("gone")

    given = side_by_side.parsed(blocks(), len, 2)
    assert [next(given)[0] for _ in range(3)] == [0, 1, 2]
    with pytest.raises(OSError, match="gone"):
        next(given)
