"""The whole chain on small logs: what goes in comes out, once, and only what is new costs work."""

from __future__ import annotations

from datetime import datetime

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import InputError, NotKnownError
from herdbook.pipeline.lake.read import load_signals
from tests.toy.bench import LEDGER, RESULTS, Bench, answers

DAY = 86_400_000_000


def test_sessions_of_a_day(bench: Bench) -> None:
    """The toy log is a rest of 60 s, a ride of 240 s, a rest of 240 s and a charge of 180 s, as written."""
    toy.write(bench.inbox / "a.log", toy.day())
    result = bench.scan()
    assert (result.logs_new, result.quarantined, result.vehicles) == (1, 0, 1)
    found = bench.ask("SELECT kind, start_t, end_t, coverage FROM sessions ORDER BY start_t")
    assert [(k, a, c) for k, a, _, c in found] == [
        ("rest", datetime(2026, 3, 1, 8, 0), 1.0),
        ("ride", datetime(2026, 3, 1, 8, 1), 1.0),
        ("rest", datetime(2026, 3, 1, 8, 5), 1.0),
        ("charge", datetime(2026, 3, 1, 8, 9), 1.0),
    ]
    assert bench.ask("SELECT vehicle, identity_by, status, frames, frames_known FROM logs") == [
        ("TOY-007", "bus", "whole", 22320, 22320)
    ]


def test_views_hold_every_frame_with_the_value_written(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", [*toy.stretch(toy.T0, 10), toy.pack(toy.T0 + 11_000_000, 12.34, -5.6, 77.5, 2)])
    bench.scan()
    assert bench.ask("SELECT count(*) FROM toy.pack") == [(101,)]
    assert bench.ask("SELECT count(*) FROM toy.cells") == [(100,)]
    row = bench.ask("SELECT vehicle, volt, current, soc, mode FROM toy.pack ORDER BY t DESC LIMIT 1")[0]
    assert row == ("TOY-007", pytest.approx(12.34), pytest.approx(-5.6), 77.5, 2)
    # two messages with a signal of the same name do not mix
    assert bench.ask("SELECT temp FROM toy.pack ORDER BY t LIMIT 1") == [(25.0,)]
    assert bench.ask("SELECT temp FROM toy.drive ORDER BY t LIMIT 1") == [(30.0,)]


def test_roles_in_their_units(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    signals = load_signals(bench.store, "TOY-007", toy.T0, toy.T0 + DAY)
    speed = signals.series("vehicle_speed")
    assert len(speed) == 7200
    assert speed.v.max() == pytest.approx((18 + 49 * 0.02) / 3.6, abs=0.005 / 3.6)
    assert signals.series("pack_current").v.max() == pytest.approx(20.0)  # ridden: discharge is positive
    assert signals.series("pack_current").v.min() == pytest.approx(-9.9)
    assert signals.items("cell_voltage") == [1, 2, 3, 4]
    assert signals.series("cell_voltage", 1).v[0] == pytest.approx(3.3)
    part = load_signals(bench.store, "TOY-007", toy.T0 + 60_000_000, toy.T0 + 61_000_000, {"pack_voltage"})
    assert list(part.data) == [("pack_voltage", "")]
    assert len(part.series("pack_voltage")) == 10
    with pytest.raises(NotKnownError, match="no log of vehicle 'nobody'"):
        load_signals(bench.store, "nobody", 0, 1)


def test_the_same_log_again_or_renamed_changes_nothing(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    before = answers(bench.store, RESULTS | LEDGER)
    again = bench.scan()
    assert (again.logs_new, again.logs_known, again.vehicles) == (0, 0, 0)
    toy.write(bench.inbox / "sub" / "renamed.log", toy.day())
    again = bench.scan()
    assert (again.logs_new, again.logs_known, again.vehicles) == (0, 1, 0)
    assert answers(bench.store, RESULTS | LEDGER) == before


def test_only_touched_stretches_are_measured_again(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.day())
    toy.write(bench.inbox / "b.log", toy.day(toy.T0 + DAY))
    bench.scan()
    kept = bench.ask("SELECT fingerprint FROM stretches ORDER BY start_t")
    toy.write(bench.inbox / "c.log", toy.stretch(toy.T0 + DAY + 800_000_000, 30))
    bench.scan()
    now = bench.ask("SELECT fingerprint FROM stretches ORDER BY start_t")
    assert len(kept) == len(now) == 2
    assert kept[0] == now[0]
    assert kept[1] != now[1]


def test_changes_are_told_once(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.day())
    first = bench.scan()
    told = bench.ask("SELECT count(*) FROM finding_log")
    assert told == [(len(first.changes),)]
    bench.scan()
    assert bench.ask("SELECT count(*) FROM finding_log") == told
    assert bench.ask("SELECT state FROM scans ORDER BY scan") == [("complete",), ("complete",)]


def test_missing_inbox_says_so(bench: Bench) -> None:
    bench.inbox.rmdir()
    with pytest.raises(InputError, match="there is no such file or folder"):
        bench.scan()
