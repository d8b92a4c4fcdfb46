"""Every reader gives what python-can's reader gives for the same file, written by python-can's own writer."""

from __future__ import annotations

import gzip
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from herdbook.decoders import open_log, read_frames
from tests.decoders.messages import NUMBERED, traffic, write
from tests.decoders.peers import can, ours, theirs, unequal

FIRST = {"asc": 1, "blf": 1, "trc": 0, "mf4": 0}  # python-can counts .asc and .blf channels one lower than the file
quick = settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))


def start_of(path: Path, kind: str) -> int:
    """Microseconds that python-can adds to stamps which we give relative to the start."""
    if kind == "trc":
        reader = can.TRCReader(path)
        list(reader)
        return round(reader._start_time * 1e6)
    if kind == "mf4":  # it takes a start without a zone as local time
        return round(datetime.fromisoformat(open_log(path).wall).timestamp() * 1e6)
    return 0


@pytest.mark.parametrize("kind", ["log", "asc", "blf", "trc", "csv"])
@quick
@given(data=st.data())
def test_every_frame_equals_python_cans(
    tmp_path_factory: pytest.TempPathFactory, kind: str, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("log") / f"made.{kind}"
    write(path, data.draw(traffic(kind)))
    with can.LogReader(path) as reader:
        expected = theirs(reader, FIRST.get(kind, 0))
    with pytest.MonkeyPatch.context() as patch:  # small blocks, so that a short log has many of them
        patch.setattr("herdbook.decoders.reading.source.BLOCK_BYTES", data.draw(st.sampled_from((300, 1000, 1 << 19))))
        patch.setattr("herdbook.decoders.formats.blf.BATCH_BYTES", data.draw(st.sampled_from((1, 200, 1 << 20))))
        found = ours(path)
    assert unequal(found, expected, channel=kind in NUMBERED or kind == "log", shift_us=start_of(path, kind)) == []


@pytest.mark.parametrize("kind", ["mf4", "db"])
@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_every_frame_equals_python_cans_where_files_are_slow_to_write(
    tmp_path_factory: pytest.TempPathFactory, kind: str, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("log") / f"made.{kind}"
    write(path, data.draw(traffic(kind)))
    with can.LogReader(path) as reader:
        expected = theirs(reader)
    assert unequal(ours(path), expected, channel=kind == "mf4", shift_us=start_of(path, kind)) == []


@pytest.mark.parametrize("kind", ["log", "asc", "blf", "trc", "csv", "db"])
@pytest.mark.parametrize("again", [False, True], ids=["one member", "two members"])
def test_gzipped_logs_read_the_same(tmp_path: Path, kind: str, again: bool) -> None:
    messages = [
        can.Message(timestamp=1.7e9 + i / 100, arbitration_id=i, data=bytes([i]), is_extended_id=False, channel=0)
        for i in range(200)
    ]
    plain = write(tmp_path / f"made.{kind}", messages)
    content = plain.read_bytes()
    packed = tmp_path / f"made.{kind}.gz"
    middle = len(content) // 2 if again else len(content)
    packed.write_bytes(gzip.compress(content[:middle]) + (gzip.compress(content[middle:]) if again else b""))
    assert ours(packed) == ours(plain)
    assert open_log(packed).format == open_log(plain).format + ".gz"


@pytest.mark.parametrize("kind", ["log", "asc", "blf", "trc", "csv"])
def test_the_content_counts_not_the_name(tmp_path: Path, kind: str) -> None:
    messages = [can.Message(timestamp=1.7e9, arbitration_id=1, data=b"\x01", is_extended_id=False, channel=0)]
    made = write(tmp_path / f"made.{kind}", messages)
    odd = made.rename(tmp_path / "made.bin")
    assert len(read_frames(odd)) == 1


def test_blf_without_compression(tmp_path: Path) -> None:
    messages = [
        can.Message(
            timestamp=1.7e9 + i / 1e3,
            arbitration_id=i % 2048,
            is_extended_id=False,
            channel=0,
            data=b"LOBJLOBJ" if i % 7 == 0 else bytes(i % 9),
        )
        for i in range(9000)
    ]
    path = write(tmp_path / "made.blf", messages, compression_level=0)
    with can.LogReader(path) as reader:
        assert unequal(ours(path), theirs(reader, 1)) == []


LINES = """date Sat Sep 30 03:06:13.191 pm 2017
base {base}  timestamps {stamps}
no internal events logged
Begin Triggerblock Sat Sep 30 03:06:13.191 pm 2017
   0.100000 Start of measurement
   0.200000 1  {ident}             Rx   d 3 {data}
   0.250000 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%
   0.300000 2  {ident}x            Tx   d 1 {last}
End TriggerBlock
"""


@pytest.mark.parametrize(
    ("base", "ident", "data", "last"), [("hex", "1F", "0A FF 07", "C8"), ("dec", "31", "10 255 7", "200")]
)
@pytest.mark.parametrize(("stamps", "times"), [("absolute", [200_000, 300_000]), ("relative", [300_000, 850_000])])
def test_asc_bases_and_stamps(
    tmp_path: Path, base: str, ident: str, data: str, last: str, stamps: str, times: list[int]
) -> None:
    """Relative stamps count from the line before, whatever that line says."""
    path = tmp_path / "made.asc"
    path.write_text(LINES.format(base=base, stamps=stamps, ident=ident, data=data, last=last))
    log = open_log(path)
    (frames,) = list(log.chunks())
    assert frames.t.tolist() == times
    assert frames.can_id.tolist() == [31, 31]
    assert frames.payload[0, :3].tolist() == [10, 255, 7]
    assert frames.payload[1, 0] == 200
    assert (log.clock, log.wall, log.losses) == ("relative", "2017-09-30T15:06:13.191000", [])
