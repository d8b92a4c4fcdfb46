"""A long log that several processes take in stretches gives the part, the report and the bytes that one makes of it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.decoders.reading.source import BLOCK_BYTES, MAX_LINE
from herdbook.pipeline.intake.outcome import ChangedLog, Outcome, QuarantinedLog, TakenLog
from herdbook.pipeline.intake.take_apart import LongLog, NotApartError, look_at, print_of, put_together, read_stretch
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.night import long_logs
from herdbook.pipeline.night.in_workers import InWorkers
from tests.toy.bench import NOW, Bench


def day() -> list[str]:
    lines: list[str] = []
    while sum(len(line) for line in lines) < 5 * BLOCK_BYTES:
        lines += toy.stretch(toy.T0 + len(lines) * 40_000, 300, kmh=18, amps=-20, mode=2)
    return lines


def oddities(lines: list[str]) -> list[str]:
    """Near every cut of the log, whatever it is: garbage, strangers, errors, short and other channels' frames."""
    out = []
    for i, line in enumerate(lines):
        out.append(line)
        if i % 97 == 0:
            stamp = line.split(" ", 1)[0]
            out += [f"{stamp} can{i % 5} 7AA#01", "no frame at all", f"{stamp} can0 100#0102", f"{stamp} can0 123#R4"]
            out += [f"{stamp} can0 20000044#0001000000000000", f"{stamp} can0 101#0900000000000000"]
    return out


SHAPES: dict[str, Callable[[list[str]], list[str]]] = {
    "as logged": lambda lines: lines,
    "with oddities": oddities,
    "backwards": lambda lines: lines[::-1],
    "twice": lambda lines: lines[: len(lines) // 2] * 2,
    "cut off at the end": lambda lines: [*lines[:-1], lines[-1][:-3]],
}


def apart(bench: Bench, path: Path) -> Outcome:
    long = look_at(bench.store, path, NOW, BLOCK_BYTES)
    assert isinstance(long, LongLog)
    assert len(long.stretches) > 3
    parts = [read_stretch(bench.store, long, stretch) for stretch in long.stretches]
    taken = put_together(bench.store, long, print_of(long), parts)
    shutil.rmtree(long.folder)
    return taken


@pytest.mark.parametrize("shape", SHAPES)
def test_the_same_part_to_the_byte(bench: Bench, shape: str) -> None:
    log = toy.write(bench.inbox / "a.log", SHAPES[shape](day()))
    if shape == "cut off at the end":
        log.write_bytes(log.read_bytes().rstrip(b"\n"))
    whole = take_log(log, bench.store, now=NOW)
    assert isinstance(whole, TakenLog), whole
    part = bench.store.lake.root / whole.part
    expected = part.read_bytes()
    part.unlink()
    assert apart(bench, log) == whole
    assert part.read_bytes() == expected
    assert not list(bench.store.scratch.iterdir())


def test_by_worker_processes(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    log = toy.write(bench.inbox / "a.log", oddities(day()))
    small = toy.write(bench.inbox / "b.log", toy.stretch(toy.T0 - 90_000_000, 30))
    whole = take_log(log, bench.store, now=NOW)
    assert isinstance(whole, TakenLog)
    (bench.store.lake.root / whole.part).unlink()
    monkeypatch.setattr(long_logs, "LONG_BYTES", 4 * BLOCK_BYTES)
    monkeypatch.setattr(long_logs, "STRETCH_BYTES", BLOCK_BYTES)
    together: list[int] = []
    seen = long_logs._put_together

    def noted(*given: object) -> Outcome:
        together.append(1)
        return seen(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(long_logs, "_put_together", noted)
    with InWorkers(bench.store, 2, NOW) as runner:
        taken = {t.file.name: t for t in runner.take([log, small])}
    assert taken["a.log"] == whole
    assert isinstance(taken["b.log"], TakenLog)
    assert together == [1]
    assert not list(bench.store.scratch.iterdir())


def test_a_file_that_changes_on_the_way_is_not_taken(bench: Bench) -> None:
    log = toy.write(bench.inbox / "a.log", day())
    long = look_at(bench.store, log, NOW, BLOCK_BYTES)
    assert long is not None
    parts = [read_stretch(bench.store, long, stretch) for stretch in long.stretches]
    with log.open("r+b") as file:
        file.seek(long.stretches[2].fresh + 12)
        file.write(b"7")
    assert isinstance(put_together(bench.store, long, print_of(long), parts), ChangedLog)


def test_a_line_without_end_is_left_to_one_reading(bench: Bench) -> None:
    lines = day()
    lines[10] = "x" * (2 * MAX_LINE + BLOCK_BYTES)
    long = look_at(bench.store, toy.write(bench.inbox / "a.log", lines), NOW, BLOCK_BYTES)
    assert long is not None
    with pytest.raises(NotApartError):
        read_stretch(bench.store, long, long.stretches[0])


def test_what_cannot_be_used_is_told_as_ever(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A log whose identifiers nobody knows, and one that is packed: both go the usual way."""
    strange = [line.replace(" 1", " 6", 1) for line in (toy.frame(toy.T0 + i, 0x7A0, b"\1" * 8) for i in range(60_000))]
    log = toy.write(bench.inbox / "a.log", strange)
    monkeypatch.setattr(long_logs, "LONG_BYTES", 0)
    with InWorkers(bench.store, 2, NOW) as runner:
        (taken,) = runner.take([log])
    assert isinstance(taken, QuarantinedLog)
    assert taken.reason == take_log(log, bench.store, now=NOW).reason  # type: ignore[union-attr]
