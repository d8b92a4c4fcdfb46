"""Vehicles go to workers in groups: every one once, in bounded lots, and one that takes its worker down falls alone."""

from __future__ import annotations

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.assess import plan as planning
from herdbook.pipeline.assess.plan import PlanGroup, plan_group, planned
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.night.failures import GroupOutcome, after_failure, assess_group
from herdbook.pipeline.night.workers import WorkerLost
from tests.toy.bench import Bench

NAMES = [f"TOY-{n:03d}" for n in range(1, 8)]


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """A store with a short record of each of seven vehicles."""
    bench = Bench(tmp_path_factory.mktemp("groups"))
    for serial, name in enumerate(NAMES, start=1):
        toy.write(bench.inbox / f"{name}.log", toy.stretch(toy.T0 + serial * 1_000_000, 20, serial=serial))
    bench.scan()
    assert [v for (v,) in bench.ask("SELECT vehicle FROM vehicles ORDER BY 1")] == NAMES
    return bench


@pytest.mark.parametrize(("most", "share", "first_visit"), [(3, 1, 16), (32, 4, 2), (1, 1, 1), (32, 1, 3)])
def test_every_vehicle_is_planned_once_and_as_if_it_were_alone(
    taken: Bench, most: int, share: int, first_visit: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(planning, "FIRST_VISIT", first_visit)
    groups = list(planned(taken.store, NAMES, most, share))
    assert [v for group in groups for v in group.vehicles] == NAMES
    assert max(len(group.vehicles) for group in groups) <= most
    for known in (known for group in groups for known in group.plans()):
        (alone,) = plan_group(taken.store, [known.vehicle]).plans()
        assert known.sessions.height > 0
        for table in ("sessions", "metrics", "events", "messages", "reference"):
            assert sorted(getattr(known, table).rows()) == sorted(getattr(alone, table).rows())
        assert (known.logs, known.stretches, known.since) == (alone.logs, alone.stretches, alone.since)


def test_much_that_is_known_makes_small_groups(taken: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(planning, "GROUP_MB", 1e-6)
    assert [len(g.vehicles) for g in planned(taken.store, NAMES, 32, 1)] == [1] * len(NAMES)


def test_a_vehicle_that_takes_its_worker_down_fails_alone(taken: Bench) -> None:
    group = plan_group(taken.store, NAMES)

    def again(one: PlanGroup) -> GroupOutcome:
        if NAMES[2] in one.vehicles:
            raise WorkerLost("crashed", "its process was ended by SIGSEGV")
        return assess_group(taken.store, one)

    seen = after_failure(group, WorkerLost("crashed", "its process was ended by SIGSEGV"), again)
    assert seen.problems == {NAMES[2]: "crashed: its process was ended by SIGSEGV"}
    assert seen.vehicles == len(NAMES)
    assert sorted(v for g in seen.assessed for v in g.judged["vehicle"].to_list()) == [*NAMES[:2], *NAMES[3:]]


def test_a_store_that_cannot_go_on_stops_the_scan(taken: Bench) -> None:
    group = plan_group(taken.store, NAMES[:2])
    with pytest.raises(StoreError):
        after_failure(group, StoreError("the disk is full", taken.store.folder, "Make room"), None)


def test_what_is_assessed_together_is_what_is_assessed_alone(taken: Bench) -> None:
    whole = assess_group(taken.store, plan_group(taken.store, NAMES)).assessed[0]
    singly = [assess_group(taken.store, plan_group(taken.store, [v])).assessed[0] for v in NAMES]
    for name, rows in whole.rows.items():
        assert rows.rows() == [row for one in singly for row in one.rows[name].rows()], name
