"""Clocks of loggers: never set, set while logging, going back, ahead: each is told, none is sorted away."""

from __future__ import annotations

from datetime import datetime

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.intake.clock import start_from_name
from herdbook.pipeline.lake.read import load_signals
from tests.toy.bench import NOW, Bench

DAY = 86_400_000_000
EVER = (0, 2**61)


@pytest.mark.parametrize("lost", [0, 315_964_800, 946_684_800, 1_772_352_000 - 7168 * 86_400])
def test_a_clock_that_was_never_set(bench: Bench, lost: int) -> None:
    """1970, the GPS epoch 1980-01-06, 2000-01-01, and a date 1024 weeks back (week rollover of GPS)."""
    log = toy.write(bench.inbox / "a.log", toy.stretch(lost * 1_000_000 + 5_000_000, 20))
    bench.scan()
    said = bench.reasons()["a.log"]
    assert "never set" in said or "relative" in said
    toy.sidecar(log, "start = 2026-03-01T08:00:00Z\n")
    bench.scan()
    second = 0 if lost else 5  # a clock that begins near zero counts from its own zero
    assert bench.ask("SELECT clock, start_t FROM logs") == [("sidecar", datetime(2026, 3, 1, 8, 0, second))]


def test_a_clock_set_during_the_log(bench: Bench) -> None:
    early = toy.stretch(1_000_000_000_000_000, 20)  # 2001
    toy.write(bench.inbox / "a.log", early + toy.stretch(toy.T0, 30))
    bench.scan()
    assert "the clock jumped from 2001-09-09" in bench.clock_notes()
    assert "no believable date" in bench.clock_notes()
    assert bench.ask("SELECT frames FROM logs") == [(20 * 31 + 30 * 31,)]  # kept
    assert bench.ask("SELECT count(*) FROM toy.pack") == [(500,)]
    assert bench.ask("SELECT start_t FROM sessions") == [(datetime(2026, 3, 1, 8, 0),)]  # but not used
    assert len(load_signals(bench.store, "TOY-007", *EVER).series("pack_voltage")) == 300


def test_a_clock_that_goes_back_is_not_sorted_away(bench: Bench) -> None:
    """60 s, then the clock goes back by 20 s and 60 s follow: 20 s of time are claimed twice, and are not used."""
    lines = toy.stretch(toy.T0, 60) + toy.stretch(toy.T0 + 40_050_000, 60)
    toy.write(bench.inbox / "a.log", lines)
    bench.scan()
    assert "the clock went back by 19.9 s" in bench.clock_notes()
    assert bench.ask("SELECT count(*) FROM toy.pack") == [(1200,)]
    signal = load_signals(bench.store, "TOY-007", *EVER).series("pack_voltage")
    assert len(signal) == 2 * 401  # 0 to 40.0 s of the first 60 s, 59.95 to 100.0 s of the second
    assert bench.ask("SELECT date_diff('millisecond', start_t, end_t) FROM log_doubts") == [(19_870,)]


def test_a_log_from_the_future_is_refused(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0 + 3000 * DAY, 20))
    bench.scan()
    assert "one of the two is wrong" in bench.reasons()["a.log"]


def test_start_in_the_file_name_in_the_hour_that_happens_twice() -> None:
    """Europe/Vienna, 2026-10-25: 03:00 summer time becomes 02:00. The IANA zone says 02:30 is 00:30 or 01:30 UTC."""
    found = start_from_name("ride_2026-10-25_02-30-00.asc", "Europe/Vienna")
    assert found is not None
    assert found[0] == int(datetime.fromisoformat("2026-10-25T00:30:00+00:00").timestamp() * 1e6)
    assert "twice or never" in found[1]
    plain = start_from_name("20260301T080000Z.asc", "Europe/Vienna")
    assert plain == (toy.T0, "")
    assert start_from_name("20260301_090000.asc", "Europe/Vienna") == (toy.T0, "")
    assert start_from_name("serial-20261399-0800.asc", "UTC") is None


def test_a_clock_that_runs_ahead_is_noted(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(NOW - 10_000_000, 40))
    bench.scan()
    assert "the log ends 30 s after it was received" in bench.clock_notes()
