"""One log into one part: the same bytes however it is cut into batches, and every oddity of it counted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.decoders import Frames, open_log
from herdbook.decoders.decoding.columns import Table
from herdbook.pipeline.errors import InputError, StoreError
from herdbook.pipeline.intake.decode_log import LogDecoding, WrittenPart, data_frames
from herdbook.pipeline.intake.log_account import MOST_FAULTS
from herdbook.pipeline.intake.outcome import LogFault
from herdbook.pipeline.lake.part import Part
from herdbook.pipeline.lake.spill import TableSpill
from herdbook.pipeline.store.store import Store
from tests.toy.bench import Bench

LOG = "a" * 64


def decoded(store: Store, path: Path, target: Path, size: int | None = None, shift: int = 0) -> WrittenPart:
    """size: frames a batch; the reader's own batches when left out."""
    (profile,) = store.profiles()
    opened = open_log(path)
    with LogDecoding(store, profile, shift) as decoding:
        for frames in opened.chunks():
            for first in range(0, len(frames), size or len(frames)):
                decoding.add(some(frames, slice(first, first + (size or len(frames)))))
        return decoding.write(target, LOG, opened.format, opened.losses)


def some(frames: Frames, rows: slice) -> Frames:
    names = ("t", "channel", "can_id", "flags", "length", "payload")
    return replace(frames, **{n: getattr(frames, n)[rows] for n in names})


@pytest.fixture
def log(bench: Bench) -> Path:
    return toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 120, kmh=18, amps=-20, mode=2))


def test_batches_of_any_size_give_the_same_part(bench: Bench, log: Path, tmp_path: Path) -> None:
    whole = decoded(bench.store, log, tmp_path / "whole.parquet")
    small = replace(bench.store, settings=replace(bench.store.settings, segment_frames=1000))
    for store, size in ((bench.store, 17), (bench.store, 1000), (small, 333)):
        assert decoded(store, log, tmp_path / "cut.parquet", size) == whole
        assert (tmp_path / "cut.parquet").read_bytes() == (tmp_path / "whole.parquet").read_bytes()
    assert not [p for p in bench.store.scratch.rglob("*") if p.is_file()]


@pytest.mark.parametrize("order", ["as logged", "backwards", "in blocks", "twice"])
def test_a_log_that_goes_over_the_disk_gives_the_same_part(
    bench: Bench, log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, order: str
) -> None:
    """Row groups of 500 rows, of messages with more and with fewer; times in every order."""
    monkeypatch.setattr("herdbook.pipeline.lake.part_writer.ROWS", 500)
    monkeypatch.setattr("herdbook.pipeline.intake.decode_log.ROWS", 500)
    lines = log.read_text().splitlines()
    blocks = [lines[at : at + 900] for at in range(0, len(lines), 900)]
    lines = {
        "as logged": lines,
        "backwards": lines[::-1],
        "in blocks": [line for block in blocks[::2] + blocks[1::2] for line in block],
        "twice": lines + lines,
    }[order]
    path = toy.write(tmp_path / "ordered.log", lines)
    whole = decoded(bench.store, path, tmp_path / "whole.parquet")
    small = replace(bench.store, settings=replace(bench.store.settings, segment_frames=700))
    assert decoded(small, path, tmp_path / "cut.parquet", 350) == whole
    assert (tmp_path / "cut.parquet").read_bytes() == (tmp_path / "whole.parquet").read_bytes()
    assert len({b.group for b in Part.open(tmp_path / "cut.parquet").blocks}) > 3


def test_wide_messages_go_over_the_disk_earlier(
    bench: Bench, log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory is bounded by what the tables of a segment take, not by its frames alone."""
    whole = decoded(bench.store, log, tmp_path / "whole.parquet")
    spilled: list[int] = []
    add = TableSpill.add

    def counted(spill: TableSpill, tables: dict[str, Table]) -> None:
        spilled.append(len(tables))
        add(spill, tables)

    monkeypatch.setattr(TableSpill, "add", counted)
    monkeypatch.setattr("herdbook.pipeline.intake.decode_log.SEGMENT_BYTES", 50_000)
    monkeypatch.setattr("herdbook.pipeline.intake.decode_log.TOGETHER", 500)
    assert decoded(bench.store, log, tmp_path / "cut.parquet", 250) == whole
    assert (tmp_path / "cut.parquet").read_bytes() == (tmp_path / "whole.parquet").read_bytes()
    assert len(spilled) > 3


def test_a_shift_moves_all_times_and_nothing_else(bench: Bench, log: Path, tmp_path: Path) -> None:
    plain = decoded(bench.store, log, tmp_path / "plain.parquet")
    moved = decoded(bench.store, log, tmp_path / "moved.parquet", shift=5_000_000)
    assert [(r.low, r.high, r.last) for r in moved.report.runs] == [
        (r.low + 5_000_000, r.high + 5_000_000, r.last + 5_000_000) for r in plain.report.runs
    ]
    assert [replace(m, start_t=0, end_t=0) for m in moved.report.messages] == [
        replace(m, start_t=0, end_t=0) for m in plain.report.messages
    ]
    assert [b.peak_t - 5_000_000 for b in moved.report.buses] == [b.peak_t for b in plain.report.buses]
    blocks = [Part.open(tmp_path / f"{n}.parquet").blocks for n in ("plain", "moved")]
    assert [replace(b, start=b.start + 5_000_000, end=b.end + 5_000_000) for b in blocks[0]] == blocks[1]


def test_oddities_are_counted(bench: Bench, tmp_path: Path) -> None:
    end = toy.T0 + 10_000_000
    lines = [
        *toy.stretch(toy.T0, 10),
        *[toy.frame(end, 0x7AA, b"\1")] * 3,
        toy.frame(end, 0x100, b"\1\2"),
        toy.frame(end, 0x101, bytes([9, 0, 0, 0, 0, 0, 0, 0])),
        f"({end // 10**6}.000000) can0 20000044#0001000000000000",
    ]
    report = decoded(bench.store, toy.write(bench.inbox / "x.log", lines), tmp_path / "x.parquet").report
    faults = {f.kind: f for f in report.faults if f.kind != "error frame"}
    assert faults["unknown identifier"] == LogFault("unknown identifier", "7AA", 3, None, "on channel can0")
    assert (faults["short frame"].message, faults["short frame"].count) == ("Pack", 1)
    assert (faults["unknown selector"].message, faults["unknown selector"].count) == ("Cells", 1)
    errors = {f.message: f.count for f in report.faults if f.kind == "error frame"}
    assert errors == {"controller": 1, "bus off": 1, "logger overflow: the logger itself dropped frames": 1}
    assert (report.frames, report.known, report.error) == (316, 312, 1)


def test_only_so_many_unknown_identifiers_are_listed(bench: Bench, tmp_path: Path) -> None:
    end = toy.T0 + 60_000_000
    strangers = [toy.frame(end, 0x400 + i, b"\1") for i in range(MOST_FAULTS + 2)]
    lines = [*toy.stretch(toy.T0, 60), *strangers, strangers[0]]
    report = decoded(bench.store, toy.write(bench.inbox / "x.log", lines), tmp_path / "x.parquet").report
    unknown = [f for f in report.faults if f.kind == "unknown identifier"]
    assert (unknown[0].message, unknown[0].count) == ("400", 2)  # the most frequent first
    assert (len(unknown), unknown[-1].count, unknown[-1].detail) == (MOST_FAULTS + 1, 2, "2 more identifiers")


def test_a_profile_that_fits_only_the_head_is_refused_at_the_end(bench: Bench, tmp_path: Path) -> None:
    strange = [toy.frame(toy.T0 + 10_000_000 + i, 0x7AA, b"\1") for i in range(1000)]
    log = toy.write(bench.inbox / "x.log", [*toy.stretch(toy.T0, 10), *strange])
    with pytest.raises(InputError, match="knows the identifiers of only 24% of all frames"):
        decoded(bench.store, log, tmp_path / "x.parquet")
    assert not (tmp_path / "x.parquet").exists()


def test_a_lake_that_cannot_be_written_is_not_the_logs_fault(bench: Bench, log: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match="the lake cannot be written"):
        decoded(bench.store, log, tmp_path / "file" / "x.parquet")


def test_error_and_remote_frames_are_no_data(bench: Bench) -> None:
    lines = ["(1.000000) can0 100#0011", "(1.100000) can0 100#R", "(1.200000) can0 20000004#0001000000000000"]
    (frames,) = open_log(toy.write(bench.inbox / "x.log", lines)).chunks()
    assert data_frames(frames).tolist() == [True, False, False]
