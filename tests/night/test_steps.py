"""The steps of a scan, whoever runs them: what stopped it is heard, and a failed scan is on record."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import ParamSpec, TypeVar

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.assess.plan import PlanGroup
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.inbox import Found
from herdbook.pipeline.intake.outcome import Outcome
from herdbook.pipeline.night import steps
from herdbook.pipeline.night.failures import GroupOutcome
from herdbook.pipeline.night.in_workers import InWorkers
from herdbook.pipeline.night.scan import run_scan, run_take
from herdbook.pipeline.store.connection import transaction
from tests.night.stopped import hears_what_stopped_it
from tests.toy.bench import NOW, Bench

I = TypeVar("I")  # noqa: E741
P = ParamSpec("P")
R = TypeVar("R")


class Noted:
    """A Runner that works right here and notes what it is asked for; commits after every result."""

    commit_s = 0.0
    plan_at_once = 1
    processes = 1

    def __init__(self, bench: Bench) -> None:
        self.here = InWorkers(bench.store, 0, NOW)
        self.asked: list[str] = []

    def take(self, paths: Sequence[Path]) -> Iterator[Outcome]:
        self.asked.append(f"take {len(paths)}")
        return self.here.take(paths)

    def assess(self, work: Iterable[PlanGroup]) -> Iterator[GroupOutcome]:
        self.asked.append("assess")
        return self.here.assess(work)

    def run(self, function: Callable[[I], R], items: Sequence[I]) -> list[R | None]:
        return self.here.run(function, items)

    def step(self, name: str, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        self.asked.append(name)
        return function(*args, **kwargs)

    def release(self) -> None:
        self.asked.append("release")


def states(bench: Bench) -> list[str]:
    with transaction(bench.store.catalogue) as con:
        return [state for (state,) in con.execute("SELECT state FROM scans ORDER BY scan").fetchall()]


def test_the_steps_come_in_their_order(bench: Bench) -> None:
    log = toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    runner = Noted(bench)
    seen: list[tuple[int, int, str]] = []
    done = steps.ScanSteps(bench.store, runner, lambda *step: seen.append(step), NOW).run(
        "a scan", lambda: Found((log,))
    )
    assert runner.asked == [
        "take 1",
        "hold profiles against logs",
        "assess",
        "release",
        "close the scan",
        "note what is new",
        "move old rows",
        "publish",
    ]
    assert (done.logs_new, done.vehicles, set(done.seconds)) == (1, 1, {"take", "assess", "publish"})
    stages = ("taking logs in", "assessing vehicles", "publishing")
    assert seen == [(n, 1, stage) for stage in stages for n in (0, 1)]
    assert states(bench) == ["complete"]


def test_a_scan_that_is_not_about_logs_takes_none(bench: Bench) -> None:
    runner = Noted(bench)
    steps.ScanSteps(bench.store, runner).run("a backfill", lambda: None)
    assert runner.asked[0] == "assess"


@pytest.mark.parametrize("kind", [InWorkers, Noted])
def test_what_stopped_a_scan_is_heard_even_when_its_end_cannot_be_noted(
    bench: Bench, kind: type[InWorkers] | type[Noted], monkeypatch: pytest.MonkeyPatch
) -> None:
    runner: steps.Runner = InWorkers(bench.store, 0) if kind is InWorkers else Noted(bench)
    hears_what_stopped_it(bench, runner, monkeypatch)
    assert states(bench) == ["running"]
    bench.scan()
    assert states(bench) == ["failed", "complete"]


def test_a_failed_scan_is_on_record(bench: Bench) -> None:
    with pytest.raises(InputError):
        run_scan(bench.folder / "nowhere", bench.store, jobs=0)
    assert states(bench) == ["failed"]


def test_only_taking_assesses_nothing_and_the_next_scan_does(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    done_so_far = run_take(bench.inbox, bench.store, jobs=0)
    assert (done_so_far.taken, done_so_far.known, done_so_far.quarantined) == (1, 0, 0)
    assert states(bench) == []
    done = bench.scan()
    assert (done.logs_new, done.vehicles) == (0, 1)
