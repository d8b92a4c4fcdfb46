"""Every reader gives what an independent reader gives for the same file, written by an independent writer."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from herdbook.decoders import open_log
from tests.decoders.messages import traffic
from tests.decoders.peers import can, ours, theirs, unequal
from tests.decoders.trial import Trial, all_trials, by_python_can, trials

QUICK = [p for p in trials() if not p.values[0].slow]
SLOW = [p for p in trials() if p.values[0].slow]
BLOCKS = {"herdbook.decoders.reading.source.BLOCK_BYTES": (300, 1000, 1 << 19)}  # of text


def compared(path: Path, trial: Trial, data: st.DataObject) -> None:
    """Write random traffic, read it both ways; ours in small pieces, so that a short log has many of them."""
    trial.write(path, data.draw(traffic(trial)))
    with pytest.MonkeyPatch.context() as patch:
        for name, sizes in (BLOCKS | trial.pieces).items():
            patch.setattr(name, data.draw(st.sampled_from(sizes)))
        found = ours(path)
    assert unequal(found, trial.peer(path), channel=trial.channels) == []


@pytest.mark.parametrize("trial", QUICK)
@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_every_frame_is_what_an_independent_reader_gives(
    tmp_path_factory: pytest.TempPathFactory, trial: Trial, data: st.DataObject
) -> None:
    compared(tmp_path_factory.mktemp("log") / f"made.{trial.suffix}", trial, data)


@pytest.mark.parametrize("trial", SLOW)
@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_every_frame_is_what_an_independent_reader_gives_of_files_slow_to_write(
    tmp_path_factory: pytest.TempPathFactory, trial: Trial, data: st.DataObject
) -> None:
    compared(tmp_path_factory.mktemp("log") / f"made.{trial.suffix}", trial, data)


@pytest.mark.parametrize("trial", trials())
def test_the_format_is_recognised_by_its_content_and_read_by_its_own_reader(tmp_path: Path, trial: Trial) -> None:
    messages = [can.Message(timestamp=1.7e9, arbitration_id=1, data=b"\x01", is_extended_id=False, channel=0)]
    made = trial.write(tmp_path / f"made.{trial.suffix}", messages)
    odd = made.rename(tmp_path / "made.bin")
    log = open_log(odd)
    assert sum(len(frames) for frames in log.chunks()) == 1
    assert all_trials()[log.format] is trial


@pytest.mark.parametrize("trial", trials())
@pytest.mark.parametrize("again", [False, True], ids=["one member", "two members"])
def test_gzipped_logs_read_the_same(tmp_path: Path, trial: Trial, again: bool) -> None:
    messages = [
        can.Message(timestamp=1.7e9 + i / 100, arbitration_id=i, data=bytes([i]), is_extended_id=False, channel=0)
        for i in range(200)
    ]
    plain = trial.write(tmp_path / f"made.{trial.suffix}", messages)
    content = plain.read_bytes()
    packed = tmp_path / f"made.{trial.suffix}.gz"
    middle = len(content) // 2 if again else len(content)
    packed.write_bytes(gzip.compress(content[:middle]) + (gzip.compress(content[middle:]) if again else b""))
    assert len(ours(plain)) == 200
    assert ours(packed) == ours(plain)
    assert open_log(packed).format == open_log(plain).format + ".gz"


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
    path = by_python_can(tmp_path / "made.blf", messages, compression_level=0)
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
