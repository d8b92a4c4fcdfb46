"""A night looks at what its new logs can change; the result is that of all logs taken in at once."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.assess.plan import plan, vehicles_touched
from herdbook.pipeline.intake.inbox import new_logs
from herdbook.pipeline.intake.ledger import commit, touch
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.store.connection import transaction
from tests.toy.bench import RESULTS, Bench, answers

HOUR = 3_600_000_000
JOIN_S = 8 * 3600.0
# Rides alone, rides joined (less than JOIN_S apart), a run of more than a day that midnights cut, overlapping logs.
STARTS_H = (0.0, 30.0, 36.0, 36.005, 72.0, 79.0, 86.0, 93.0, 100.0, 106.0, 140.0, 140.002, 200.0)


def bench_of(folder: Path, join_s: float = JOIN_S) -> Bench:
    bench = Bench(folder)
    bench.store = replace(bench.store, settings=replace(bench.store.settings, join_s=join_s))
    return bench


def ride(bench: Bench, hours: float) -> None:
    at = toy.T0 + round(hours * HOUR)
    toy.write(
        bench.inbox / "TOY-007" / f"{hours:g}.log", toy.stretch(at, 40, kmh=12, amps=-12, mode=2, pack_serial=502)
    )


@pytest.mark.parametrize("seed", range(4))
def test_any_order_in_any_nights_gives_what_one_night_gives(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    starts = list(STARTS_H)
    at_once, by_night = bench_of(tmp_path / "at_once"), bench_of(tmp_path / "by_night")
    for hours in starts:
        ride(at_once, hours)
    at_once.scan()
    chance.shuffle(starts)
    while starts:
        for hours in (tonight := starts[: chance.randint(1, 5)]):
            ride(by_night, hours)
        starts = starts[len(tonight) :]
        by_night.scan()
    assert answers(by_night.store, RESULTS) == answers(at_once.store, RESULTS)
    stretches = "SELECT vehicle, start_t, end_t, fingerprint FROM stretches ORDER BY ALL"
    assert by_night.ask(stretches) == at_once.ask(stretches)


def taken(bench: Bench) -> None:
    commit(bench.store, [take_log(path, bench.store) for path in new_logs(bench.store, bench.inbox).logs])


def test_what_ended_long_before_a_new_log_is_not_looked_at_unless_it_may_have_changed(tmp_path: Path) -> None:
    bench = bench_of(tmp_path)
    for hours in (0.0, 30.0, 36.0, 200.0):
        ride(bench, hours)
    bench.scan()
    ride(bench, 210.0)
    taken(bench)
    [known] = plan(bench.store, vehicles_touched(bench.store))
    assert len(known.logs) == 1
    assert not known.stretches, "200 h and 210 h lie further apart than sessions are joined"
    assert {row[0] for row in known.sessions.select("vehicle").rows()} == {"TOY-007"}
    assert known.sessions.height >= 3, "rules see the whole record"
    ride(bench, 40.0)
    taken(bench)
    [known] = plan(bench.store, vehicles_touched(bench.store))
    assert len(known.logs) == 5, "from the run that begins at 30 h on"
    longer = replace(bench.store, settings=replace(bench.store.settings, join_s=600.0))
    assert len(plan(longer, vehicles_touched(bench.store))[0].logs) == 6, "another setting: all"
    with transaction(bench.store.catalogue) as con:
        touch(con, ["TOY-007"])
    assert len(plan(bench.store, vehicles_touched(bench.store))[0].logs) == 6, "touched for another reason: all"
    ride(bench, 220.0)
    taken(bench)
    assert len(plan(bench.store, vehicles_touched(bench.store))[0].logs) == 7, "and it stays so until it was assessed"
