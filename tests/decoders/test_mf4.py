"""Measurement files of shapes that loggers write and python-can does not: expected frames are those put in."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
import pytest

from herdbook.decoders import LogFormatError, open_log
from herdbook.decoders.formats.mf4.blocks import BlockFile, Broken
from herdbook.decoders.formats.mf4.groups import bus_groups
from tests.decoders.mdf_made import DATA, RECORD, START_NS, Made, mixed_file, record, variable_file
from tests.decoders.peers import ours


def seen(path: Path) -> list[tuple[int, int, bytes, bool]]:
    return [(f[0] - START_NS // 1000, f[1], f[10], f[6]) for f in ours(path)]


@pytest.mark.parametrize("packed", [False, True])
def test_variable_length_data(tmp_path: Path, packed: bool) -> None:
    path = variable_file(tmp_path / "made.mf4", DATA, packed)
    assert seen(path) == [(i * 1000, i % 2048, d, False) for i, d in enumerate(DATA)]
    assert open_log(path).clock == "utc"


def test_asammdf_reads_the_made_file_the_same(tmp_path: Path) -> None:
    from asammdf import MDF

    path = variable_file(tmp_path / "made.mf4", DATA, False)
    with MDF(path) as mdf:
        found = mdf.get("CAN_DataFrame", group=0, raw=True)
    assert found.samples["CAN_DataFrame.ID"].tolist() == [f[1] for f in seen(path)]
    lengths = found.samples["CAN_DataFrame.DataLength"].tolist()
    assert [row[:n].tobytes() for row, n in zip(found.samples["CAN_DataFrame.DataBytes"], lengths, strict=True)] == DATA


def test_mixed_records(tmp_path: Path) -> None:
    path = mixed_file(tmp_path / "made.mf4")
    expected = [(i * 1000, i, b"" if i % 3 == 2 else i.to_bytes(8, "little"), i % 3 == 2) for i in range(300)]
    assert seen(path) == expected


def mixed_variable_file(path: Path, number_bytes: int) -> Path:
    """Data and remote frames in one stream, with the data of the first among them, each before its frame."""
    made = Made()
    entries = made.entries(0, 3, len(DATA))
    remote = made.group(entries, "CAN_RemoteFrame", 2, 10)
    data = made.group(remote, "CAN_DataFrame", 1, len(DATA), variable=entries)
    stream, at = b"", 0
    for i, payload in enumerate(DATA):
        if i < 10:
            stream += (2).to_bytes(number_bytes, "little") + record(i / 1000, 5, 4, 0)
        stream += (3).to_bytes(number_bytes, "little") + struct.pack("<I", len(payload)) + payload
        stream += (1).to_bytes(number_bytes, "little") + record(i / 1000, i % 2048, len(payload), at)
        at += 4 + len(payload)
    table = made.add(b"##DT", [], stream)
    return made.finish(made.add(b"##DG", [0, data, table, 0], bytes([number_bytes]) + bytes(7)), path)


@pytest.mark.parametrize("number_bytes", [1, 2, 8])
def test_mixed_records_with_data_of_variable_length(
    tmp_path: Path, number_bytes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("herdbook.decoders.formats.mf4.blocks.PIECE", 1000)
    path = mixed_variable_file(tmp_path / "made.mf4", number_bytes)
    data = [(i * 1000, i % 2048, d, False) for i, d in enumerate(DATA)]
    found = seen(path)
    assert [f for f in found if not f[3]] == data
    assert [f for f in found if f[3]] == [(i * 1000, 5, b"", True) for i in range(10)]


def test_asammdf_takes_mixed_records_apart_the_same(tmp_path: Path) -> None:
    from asammdf import MDF

    path = mixed_file(tmp_path / "made.mf4")
    with MDF(path) as mdf:
        for group, remote in ((0, False), (1, True)):
            name = "CAN_RemoteFrame" if remote else "CAN_DataFrame"
            found = mdf.get(name, group=group, raw=True)
            assert found.samples[f"{name}.ID"].tolist() == [f[1] for f in seen(path) if f[3] == remote]


def test_a_record_of_no_group_ends_the_reading(tmp_path: Path) -> None:
    path = mixed_file(tmp_path / "made.mf4")
    content = bytearray(path.read_bytes())
    at = content.index(b"##DT") + 24 + 7 * 25
    content[at] = 9
    path.write_bytes(content)
    log = open_log(path)
    assert sum(len(f) for f in log.chunks()) == 7
    assert any("unknown group 9" in loss.detail for loss in log.losses)


def test_a_list_that_runs_in_a_circle_is_refused(tmp_path: Path) -> None:
    path = mixed_file(tmp_path / "made.mf4")
    content = path.read_bytes()
    at = content.index(b"##DG")
    path.write_bytes(content[: at + 24] + struct.pack("<Q", at) + content[at + 32 :])
    with pytest.raises(LogFormatError, match="circle"):
        open_log(path)


def test_a_link_out_of_the_file_is_refused(tmp_path: Path) -> None:
    path = mixed_file(tmp_path / "made.mf4")
    content = path.read_bytes()
    at = content.index(b"##HD")
    path.write_bytes(content[: at + 24] + struct.pack("<Q", 2**63) + content[at + 32 :])
    with pytest.raises(Broken, match="past the end"):
        list(bus_groups(BlockFile(path), ("CAN_DataFrame",)))


def turned_file(path: Path, columns: int) -> Path:
    """Frames of eight bytes in one packed block, its rows turned by so many bytes."""
    made = Made()
    group = made.group(0, "CAN_DataFrame", 0, 80)
    plain = np.frombuffer(b"".join(record(i / 1000, i, 8, i * 7) for i in range(80)), np.uint8)
    turned = np.ascontiguousarray(plain.reshape(-1, columns).T).tobytes()
    block = struct.pack("<2sBxLQQ", b"DT", 1, columns, len(turned), len(z := zlib.compress(turned))) + z
    return made.finish(made.add(b"##DG", [0, group, made.add(b"##DZ", [], block), 0], bytes(8)), path)


def test_rows_turned_by_another_width_than_the_records_are_read_and_told(tmp_path: Path) -> None:
    """The standard lets a writer choose, and none does: by a slip the frames would be garbage without a word."""
    as_usual, odd = turned_file(tmp_path / "usual.mf4", RECORD.size), turned_file(tmp_path / "odd.mf4", 2 * RECORD.size)
    assert seen(as_usual) == seen(odd) == [(i * 1000, i, (i * 7).to_bytes(8, "little"), False) for i in range(80)]
    for path, told in ((as_usual, 0), (odd, 1)):
        log = open_log(path)
        assert sum(len(frames) for frames in log.chunks()) == 80
        assert len([loss for loss in log.losses if "another width" in loss.detail]) == told


def test_a_channel_whose_fields_would_be_read_elsewhere_is_refused(tmp_path: Path) -> None:
    """One link too many moves type, place and width of the member: identifiers read as 0 for every frame."""
    path = mixed_file(tmp_path / "made.mf4")
    content = path.read_bytes()
    at = content.index(b"##CN")
    for links in (7, 9):
        path.write_bytes(content[: at + 16] + struct.pack("<Q", links) + content[at + 24 :])
        with pytest.raises(LogFormatError, match="too short"):
            open_log(path)


def test_a_member_without_bits_is_told(tmp_path: Path) -> None:
    made = Made()
    members = made.channel(0, "CAN_DataFrame.DataBytes", 0, 10, 16, 64)
    members = made.channel(members, "CAN_DataFrame.ID", 0, 0, 9, 0)
    first = made.channel(members, "time", 2, 4, 0, 64)
    about = struct.pack("<QQHH4xLL", 0, 3, 2, 0, RECORD.size, 0)
    group = made.add(b"##CG", [0, first, made.text("CAN"), 0, 0, 0], about)
    table = made.add(b"##DT", [], b"".join(record(i / 10, 5, 8, i) for i in range(3)))
    log = open_log(made.finish(made.add(b"##DG", [0, group, table, 0], bytes(8)), tmp_path / "made.mf4"))
    assert sum(len(frames) for frames in log.chunks()) == 0
    assert "the member ID has 0 bits" in log.losses[0].detail


def test_a_group_of_two_kinds_of_frames_is_refused(tmp_path: Path) -> None:
    """Read as both, every frame would come twice."""
    made = Made()
    members = made.channel(0, "CAN_DataFrame.DataBytes", 0, 10, 16, 64)
    members = made.channel(members, "CAN_DataFrame.ID", 0, 0, 9, 32)
    members = made.channel(members, "CAN_ErrorFrame.ErrorType", 0, 0, 13, 8)
    first = made.channel(members, "time", 2, 4, 0, 64)
    about = struct.pack("<QQHH4xLL", 0, 3, 2, 0, RECORD.size, 0)
    group = made.add(b"##CG", [0, first, made.text("CAN"), 0, 0, 0], about)
    table = made.add(b"##DT", [], b"".join(record(i / 10, 5, 8, i) for i in range(3)))
    made.finish(made.add(b"##DG", [0, group, table, 0], bytes(8)), tmp_path / "made.mf4")
    with pytest.raises(LogFormatError, match="CAN_DataFrame and CAN_ErrorFrame at once"):
        open_log(tmp_path / "made.mf4")


def test_a_member_that_stands_there_twice_is_refused(tmp_path: Path) -> None:
    """One slip makes IDE a second ID, and every frame would have the identifier 0."""
    path = mixed_file(tmp_path / "made.mf4")
    path.write_bytes(path.read_bytes().replace(b"CAN_DataFrame.IDE\0", b"CAN_DataFrame.ID\0\0"))
    with pytest.raises(LogFormatError, match=r"holds CAN_DataFrame\.ID twice"):
        open_log(path)
