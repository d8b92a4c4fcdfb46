"""Things that claim or unpack to more than they are: stopped by a limit, accounted for, what came before is kept."""

from __future__ import annotations

import gc
import gzip
import struct
import tracemalloc
import zlib
from pathlib import Path

import pytest

from herdbook.decoders import open_log
from tests.decoders.peers import can, ours
from tests.decoders.trial import by_python_can

LINE = b"(1700000000.000000) can0 123#1122\n"


def losses(path: Path) -> list[tuple[str, int]]:
    log = open_log(path)
    for _ in log.chunks():
        pass
    return [(loss.kind, loss.offset) for loss in log.losses]


def test_a_gzip_bomb_is_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("herdbook.decoders.reading.source.FREE_BYTES", 1 << 20)
    path = tmp_path / "bomb.log.gz"
    path.write_bytes(gzip.compress(LINE * 10 + bytes(200_000_000)))
    tracemalloc.start()
    frames = ours(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(frames) == 10
    assert "limit" in [kind for kind, _ in losses(path)]
    assert peak < 20_000_000


def packed_database(folder: Path) -> Path:
    messages = [can.Message(timestamp=1.7e9 + i, arbitration_id=5, data=b"\1", channel=0) for i in range(200)]
    sound = by_python_can(folder / "sound.db", messages)
    path = folder / "packed.db.gz"
    path.write_bytes(gzip.compress(sound.read_bytes()))
    return path


def test_an_unpacked_log_lies_where_it_is_told_to_and_only_while_it_is_read(tmp_path: Path) -> None:
    """A store's scratch folder is emptied by every scan, so that a reader that was killed leaves nothing for long."""
    path, spool = packed_database(tmp_path), tmp_path / "spool"
    log = open_log(path, spool=spool)
    chunks = log.chunks()
    assert len(next(chunks))
    assert [p.suffix for p in spool.iterdir()] == [".db"]
    del log, chunks
    gc.collect()
    assert list(spool.iterdir()) == []


def test_unpacking_leaves_room_on_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = packed_database(tmp_path)
    monkeypatch.setattr("herdbook.decoders.reading.source.LOOK_BYTES", 1)
    assert len(ours(path)) == 200
    monkeypatch.setattr("herdbook.decoders.reading.source.KEEP_FREE", 1 << 60)
    monkeypatch.setattr("herdbook.decoders.reading.source.READ_BYTES", 1 << 13)
    log = open_log(path)
    for _ in log.chunks():
        pass
    assert ("limit", "unpacked, the log leaves no room on the disk") in [(x.kind, x.detail) for x in log.losses]


def blf(*containers: tuple[bytes, int]) -> bytes:
    head = struct.pack("<4sL8BQQLL8H8H", b"LOGG", 144, *[0] * 8, 0, 0, 0, 0, *[0] * 16).ljust(144, b"\0")
    out = [head]
    for data, claimed in containers:
        out.append(
            struct.pack("<4sHHLLH6xL4x", b"LOBJ", 16, 1, 32 + len(data), 10, 2, claimed)
            + data
            + bytes((32 + len(data)) % 4)
        )
    return b"".join(out)


def test_a_container_that_unpacks_to_more_than_it_claims(tmp_path: Path) -> None:
    path = tmp_path / "bomb.blf"
    path.write_bytes(blf((zlib.compress(bytes(100_000_000)), 1000)))
    tracemalloc.start()
    assert ours(path) == []
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert losses(path)[0] == ("limit", 144)
    assert peak < 20_000_000


def test_an_object_that_claims_more_than_there_can_be(tmp_path: Path) -> None:
    """Its frames are lost, those of the next container are not."""
    messages = [can.Message(timestamp=1.7e9, arbitration_id=5, data=b"\1", is_extended_id=False, channel=0)]
    sound = by_python_can(tmp_path / "sound.blf", messages).read_bytes()
    path = tmp_path / "claims.blf"
    path.write_bytes(sound[:144] + struct.pack("<4sHHLL", b"LOBJ", 16, 1, 0xFFFF_FFF0, 10) + sound[144:])
    assert [f[1] for f in ours(path)] == [5]
    assert losses(path) == [("record", 144)]


@pytest.mark.slow
def test_a_line_of_a_gigabyte(tmp_path: Path) -> None:
    path = tmp_path / "long.log"
    with path.open("wb") as file:
        file.write(LINE)
        for _ in range(1000):
            file.write(b"x" * 1_000_000)
        file.write(b"\n" + LINE)
    tracemalloc.start()
    assert len(ours(path)) == 2
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert losses(path) == [("limit", len(LINE))]
    assert peak < 20_000_000
