"""Told: cut logs, hours that may be of another zone, where refused logs lay; to look needs no scan."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.night.scan import run_take
from tests.toy.bench import DATA, Bench

ASC = """date Sun Mar 01 12:00:00.000 2026
base hex  timestamps absolute
no internal events logged
"""


def told(bench: Bench) -> str:
    night = last_night(bench.store)
    assert night is not None
    return " ".join(night.notes)


def test_a_cut_log_is_told_in_the_scan(bench: Bench) -> None:
    path = toy.write(bench.inbox / "cut.log", toy.day())
    path.write_bytes(path.read_bytes()[:-7] + b"\n(177")
    os.utime(path, (1_700_000_000, 1_700_000_000))
    bench.scan()
    assert told(bench) == "1 log (cut.log) was cut short or damaged; what is sound in it is kept"
    bench.scan()
    assert told(bench) == "", "once"


def asc(folder: Path) -> Path:
    """A log whose header gives an hour without a zone; its vehicle is in its path."""
    lines = [f"{k / 10:.6f} 1  100             Rx   d 8 00 00 00 00 00 00 00 00" for k in range(200)]
    path = folder / "TOY-007.asc"
    path.write_text(ASC + "\n".join(lines) + "\n", "ascii")
    os.utime(path, (1_700_000_000, 1_700_000_000))
    return path


def test_an_hour_without_a_zone_is_doubted_where_the_profile_names_one(bench: Bench) -> None:
    asc(bench.inbox)
    bench.scan()
    assert "1 log (TOY-007.asc) may be off by hours: the hour in its header was read in UTC" in told(bench)
    assert 'write zone = "Europe/Vienna" into herdbook.toml' in told(bench)
    assert bench.ask("SELECT start_t::VARCHAR FROM logs") == [("2026-03-01 12:00:00",)]


def test_a_zone_that_somebody_named_is_used_without_a_word(bench: Bench) -> None:
    asc(bench.inbox).with_name("TOY-007.asc.toml").write_text('zone = "Europe/Vienna"\n')
    bench.scan()
    assert told(bench) == ""
    assert bench.ask("SELECT start_t::VARCHAR FROM logs") == [("2026-03-01 11:00:00",)]


def test_the_advice_for_a_log_of_nobody_names_the_pattern_and_its_file(bench: Bench) -> None:
    toy.write(bench.inbox / "rider 7" / "a.log", toy.day(serial=0))
    bench.scan()
    (said,) = bench.reasons().values()
    assert "the pattern '(?P<vehicle>TOY-\\\\d{3})' of toy.toml finds no vehicle in 'inbox/rider 7/a.log'" in said
    night = last_night(bench.store)
    assert night is not None
    assert night.as_dict()["quarantined"] == [{"log": "a.log", "reason": "cannot be used", "folder": "rider 7"}]


@pytest.mark.parametrize("extra", [[], ["--json"]])
def test_what_was_taken_can_be_looked_at_before_any_scan(tmp_path: Path, extra: list[str]) -> None:
    """As the README says it: take LOG --store try, then wires VEHICLE --store try."""
    log = toy.write(tmp_path / "a.log", toy.day())
    verbs = [
        ["take", str(log), "--store", "try", "--profiles", str(DATA)],
        ["wires", "TOY-007", "pack_current", "--store", "try", *extra],
        ["quarantine", "--store", "try"],
    ]
    for verb in verbs:
        done = subprocess.run(
            [sys.executable, "-m", "herdbook.flows.cli", *verb],
            capture_output=True, text=True, timeout=300, check=False, cwd=tmp_path,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        if "--json" in verb:
            assert json.loads(done.stdout)[0]["n"] > 0


def test_a_store_that_is_scanned_publishes_by_scans_alone(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    before = bench.store.fleet.stat().st_mtime_ns
    toy.write(bench.inbox / "b.log", toy.day(start=toy.T0 + 86_400_000_000))
    assert run_take(bench.inbox, bench.store, jobs=0).taken == 1
    assert bench.store.fleet.stat().st_mtime_ns == before
