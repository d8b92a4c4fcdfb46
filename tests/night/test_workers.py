"""Worker processes that really crash, stall and swell: the item fails alone, with the reason.

Nothing here depends on how busy the machine is: jobs say by files how far they are, the clock that ends a stalled item
is the test's own, and real time only bounds what would wait for ever.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

import psutil
import pytest

from herdbook.pipeline.night.workers import WorkerLost, Workers
from tests.night.worker_jobs import double, meet, misbehave, pid, stall, touch

HANGS_S = 300.0  # nothing here takes so long unless it hangs


@pytest.fixture
def workers() -> Iterator[Workers]:
    with Workers(2, memory_mb=400.0) as workers:
        yield workers


def wait_until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + HANGS_S
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.02)


@pytest.mark.parametrize(
    ("how", "kind", "detail"),
    [("segfault", "crashed", "SIGSEGV"), ("exit", "crashed", "code 7"), ("swell", "too large", "400 MB are allowed")],
)
def test_a_bad_item_fails_alone_and_says_how(workers: Workers, how: str, kind: str, detail: str) -> None:
    done = {d.item: d for d in workers.each(misbehave, ["a", how, "b", "c"])}
    lost = done.pop(how).error
    assert isinstance(lost, WorkerLost)
    assert lost.kind == kind
    assert detail in lost.detail
    assert {d.result for d in done.values()} == {"a done", "b done", "c done"}


class Clock:
    """Stands still until it is let go; then every look at it is a second later."""

    def __init__(self) -> None:
        self.now, self.step = 0.0, 0.0

    def __call__(self) -> float:
        self.now += self.step
        return self.now


@pytest.mark.parametrize("how", ["sleep", "spin"])
def test_an_item_that_stalls_is_ended_and_the_others_are_done(tmp_path: Path, how: str) -> None:
    clock, begun = Clock(), tmp_path / how
    with Workers(2, time_s=2.0, clock=clock) as workers:
        results = workers.each(stall, [str(tmp_path / "a"), str(begun), str(tmp_path / "b"), str(tmp_path / "c")])
        good = {done.result for done in islice(results, 3)}
        wait_until(begun.exists)
        clock.step = 1.0
        [last] = results
    assert good == {str(tmp_path / name) for name in "abc"}
    assert isinstance(last.error, WorkerLost)
    assert (last.item, last.error.kind) == (str(begun), "stalled")
    assert "2 s" in last.error.detail


@pytest.mark.parametrize(("how", "error"), [("raise", ValueError), ("secretive", RuntimeError)])
def test_an_error_comes_back_and_the_worker_lives_on(workers: Workers, how: str, error: type[Exception]) -> None:
    before = workers.call(pid)
    with pytest.raises(error):
        workers.call(misbehave, how)
    assert workers.call(pid) == before


def test_both_workers_work_and_nobody_is_left(workers: Workers, tmp_path: Path) -> None:
    """Each of the first two items waits until the other's worker has come."""
    used = {d.result for d in workers.each(meet, [str(tmp_path)] * 2)}
    assert len(used) == 2
    processes = [psutil.Process(p) for p in used if p]
    workers.close()
    assert psutil.wait_procs(processes, timeout=HANGS_S)[1] == []


def test_items_are_asked_for_as_they_are_needed_and_workers_go_on_meanwhile(workers: Workers, tmp_path: Path) -> None:
    """A thousand vehicles are not all planned at once, and a commit between two results holds no worker up."""
    asked: list[int] = []

    def items() -> Iterator[str]:
        for i in range(100):
            asked.append(i)
            yield str(tmp_path / str(i))

    results = workers.each(touch, items())
    made = [next(results).result]
    ahead = len(asked)
    assert 2 < ahead < 100
    wait_until(lambda: len(list(tmp_path.iterdir())) >= ahead)  # we ask for nothing, as in a commit
    assert len(list(tmp_path.iterdir())) == ahead
    assert len(asked) == ahead
    made += [done.result for done in results]
    assert sorted(str(m) for m in made) == sorted(str(tmp_path / str(i)) for i in range(100))


def test_workers_end_when_we_are_killed(tmp_path: Path) -> None:
    """The owner is killed outright while its worker is busy; the worker must not stay."""
    begun = tmp_path / "sleep"
    code = (
        "from herdbook.pipeline.night.workers import Workers\nfrom tests.night.worker_jobs import pid, stall\n"
        f"w = Workers(1)\nprint(w.call(pid), flush=True)\nw.call(stall, {str(begun)!r})"
    )
    owner = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert owner.stdout
    worker = psutil.Process(int(owner.stdout.readline()))
    wait_until(begun.exists)
    os.kill(owner.pid, signal.SIGKILL)
    owner.wait()
    owner.stdout.close()
    worker.wait(timeout=HANGS_S)


def test_a_script_without_a_guard_is_not_run_again_in_its_workers(tmp_path: Path) -> None:
    """multiprocessing's spawn imports the main script in every child; ours must not."""
    script = tmp_path / "script.py"
    script.write_text(
        "from herdbook.pipeline.night.workers import Workers\nfrom tests.night.worker_jobs import double\n"
        "print('here')\nwith Workers(1) as workers:\n    print(workers.call(double, 21))\n"
    )
    root = str(Path(__file__).parents[2])
    said = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, env=os.environ | {"PYTHONPATH": root}, check=True
    )
    assert (said.stdout, said.stderr) == ("here\n42\n", "")


def test_results_are_those_of_a_plain_loop(workers: Workers) -> None:
    assert sorted(d.result or 0 for d in workers.each(double, range(50))) == [double(i) for i in range(50)]


def test_results_come_in_the_order_of_the_items_and_none_where_a_worker_was_lost(workers: Workers) -> None:
    assert workers.in_order(misbehave, ["a", "exit", "b"]) == ["a done", None, "b done"]
    with pytest.raises(ValueError, match="bad log"):
        workers.in_order(misbehave, ["a", "raise"])
