"""What became of a log crosses processes and parts unharmed."""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.intake.outcome import GoneLog, KnownLog, LogReport, QuarantinedLog, TakenLog
from herdbook.pipeline.intake.take_log import take_log
from tests.toy.bench import NOW, Bench


@pytest.fixture
def taken(tmp_path: Path) -> tuple[Bench, TakenLog]:
    bench = Bench(tmp_path)
    lines = [*toy.stretch(toy.T0, 20), "(1772352030.000000) can0 7AA#00", "garbage"]
    found = take_log(toy.write(bench.inbox / "a.log", lines), bench.store, now=NOW)
    assert isinstance(found, TakenLog)
    return bench, found


def test_the_report_inside_a_part_is_the_report(taken: tuple[Bench, TakenLog]) -> None:
    bench, found = taken
    assert {f.kind for f in found.report.faults} >= {"unknown identifier"}
    kept = bench.store.lake.open(found.part).logs[found.file.log]
    assert LogReport.from_json(kept) == found.report
    assert LogReport.from_json(json.loads(json.dumps(found.report.to_json()))) == found.report


def test_a_report_that_is_none_says_so(taken: tuple[Bench, TakenLog]) -> None:
    said = taken[1].report.to_json()
    for wrong in ({**said, "runs": [[1, 2]]}, {**said, "strange": 1}, {k: v for k, v in said.items() if k != "faults"}):
        with pytest.raises((KeyError, TypeError)):
            LogReport.from_json(wrong)


def test_an_outcome_crosses_processes(taken: tuple[Bench, TakenLog]) -> None:
    assert pickle.loads(pickle.dumps(taken[1])) == taken[1]


def test_each_end_has_its_type(taken: tuple[Bench, TakenLog]) -> None:
    bench, found = taken
    path = Path(found.file.path)
    assert take_log(path, bench.store, now=NOW) == found  # the part that is there is not written again
    known = take_log(path, bench.store, known={found.file.log}, now=NOW)
    assert known == KnownLog(found.file)
    path.write_bytes(b"not a log")
    odd = take_log(path, bench.store, now=NOW)
    assert isinstance(odd, QuarantinedLog)
    assert (odd.reason, odd.file.size_bytes) == ("cannot be read", 9)
    assert odd.advice
    path.unlink()
    gone = take_log(path, bench.store, now=NOW)
    assert isinstance(gone, GoneLog)
    assert (gone.file.name, gone.file.log) == ("a.log", "")
