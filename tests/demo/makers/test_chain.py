"""The short way (arrays to verdict) and the real chain (frames, log files, scan) come to the same verdict."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from demo_logs.makers.run import Job, judged
from tests.toy.bench import Bench


@pytest.mark.parametrize("index", [6, 156])
def test_a_scan_of_the_written_logs_says_the_same(index: int, tmp_path: Path) -> None:
    bench_folder = tmp_path / "bench"
    profiles = tmp_path / "profiles"
    job = Job(seed=3, indices=(index,), weeks=0.12, profiles=profiles, logs=bench_folder / "inbox")
    outcomes = judged(job)
    for log in (bench_folder / "inbox").iterdir():
        os.utime(log, (0, 0))  # a log that has just changed is left for the next scan
    bench = Bench(bench_folder, profiles)
    bench.scan()
    assert not bench.reasons()
    logged = [o for o in outcomes if o.rides + o.charges]
    assert logged
    for outcome in logged:
        rows = bench.ask("SELECT rule, severity, item, confidence FROM findings WHERE vehicle = ?", outcome.vehicle)
        said = sorted((w.rule, w.severity, w.item) for w in outcome.words)
        assert sorted(r[:3] for r in rows) == said
        refused = bench.ask("SELECT rule FROM not_assessed WHERE vehicle = ?", outcome.vehicle)
        assert sorted(r[0] for r in refused) == sorted(outcome.refused)
        scores = dict(bench.ask("SELECT subsystem, score FROM scores WHERE vehicle = ?", outcome.vehicle))
        assert scores == pytest.approx(outcome.scores)
