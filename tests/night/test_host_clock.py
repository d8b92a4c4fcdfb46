"""This computer's own clock is wrong for a night: no good log is refused for good, and nobody else is blamed."""

from __future__ import annotations

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.night import scan_entry
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.times import DAY, HOUR
from tests.toy.bench import NOW, Bench


def at(monkeypatch: pytest.MonkeyPatch, now: int) -> None:
    monkeypatch.setattr(scan_entry, "now_us", lambda: now)


def test_a_clock_before_the_last_scan_stops_the_scan_and_says_why(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    at(monkeypatch, NOW - HOUR)
    toy.write(bench.inbox / "b.log", toy.stretch(toy.T0 + DAY, 20))
    with pytest.raises(StoreError, match="this computer's clock says 2026-11-25 08:46:40 UTC, but the last scan"):
        run_scan(bench.inbox, bench.store, jobs=0)
    assert bench.ask("SELECT name FROM logs") == [("a.log",)]
    assert run_scan(bench.inbox, bench.store, jobs=0, trust_clock=True).logs_new == 1
    at(monkeypatch, NOW - HOUR + 1_000_000)  # that scan is the last one now
    run_scan(bench.inbox, bench.store, jobs=0)


def test_a_clock_that_was_never_set_stops_the_first_scan(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    at(monkeypatch, 5_000_000)
    with pytest.raises(StoreError, match="says 1970-01-01 00:00:05 UTC, which cannot be"):
        run_scan(bench.inbox, bench.store, jobs=0)


def test_a_clock_set_back_by_a_few_seconds_stops_nothing(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.scan()
    at(monkeypatch, NOW - 30_000_000)
    run_scan(bench.inbox, bench.store, jobs=0)


def test_logs_ahead_of_this_clock_come_in_by_themselves_once_it_is_right(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(NOW - HOUR, 20))
    wrong = NOW - 60 * DAY
    done = run_scan(bench.inbox, bench.store, jobs=0, now=wrong)
    assert (done.logs_new, done.quarantined) == (0, 1)
    said, advice = bench.ask("SELECT detail, advice FROM quarantine")[0]
    assert "the log is from 2026-11-25" in said
    assert "this computer's clock said 2026-09-26" in said
    assert "Check this computer's clock" in advice
    still = run_scan(bench.inbox, bench.store, jobs=0, now=wrong + DAY)
    assert (still.logs_new, still.quarantined) == (0, 0)  # not read again while that is no use
    done = run_scan(bench.inbox, bench.store, jobs=0, now=NOW)
    assert (done.logs_new, done.quarantined) == (1, 0)
    assert bench.reasons() == {}


def test_a_relative_log_with_a_start_ahead_of_this_clock_too(bench: Bench) -> None:
    log = toy.write(bench.inbox / "2026-11-24T08-00-00.log", toy.stretch(5_000_000, 20))
    toy.sidecar(log, "start = 2026-11-24T08:00:00Z\n")
    assert run_scan(bench.inbox, bench.store, jobs=0, now=NOW - 60 * DAY).quarantined == 1
    assert "one of the two is wrong" in bench.reasons()[log.name]
    assert run_scan(bench.inbox, bench.store, jobs=0, now=NOW).logs_new == 1


def test_a_logger_that_lost_its_clock_is_not_read_again_every_night(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(946_684_800_000_000, 20))
    assert bench.scan().quarantined == 1
    assert bench.scan().quarantined == 0
    assert bench.ask("SELECT tries, again_t FROM quarantine") == [(1, None)]
