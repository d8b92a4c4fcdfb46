"""Worker processes that really crash, stall and swell: the item fails alone, with the reason."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from herdbook.pipeline.night.workers import Crew, WorkerLost
from tests.night.worker_jobs import double, misbehave, pid, touch


@pytest.fixture
def crew() -> Iterator[Crew]:
    with Crew(2, time_s=2.0, memory_mb=400.0) as crew:
        yield crew


@pytest.mark.parametrize(
    ("how", "kind", "detail"),
    [
        ("segfault", "crashed", "SIGSEGV"),
        ("exit", "crashed", "code 7"),
        ("stall", "stalled", "2 s"),
        ("spin", "stalled", "2 s"),
        ("swell", "too large", "400 MB are allowed"),
    ],
)
def test_a_bad_item_fails_alone_and_says_how(crew: Crew, how: str, kind: str, detail: str) -> None:
    done = {d.item: d for d in crew.each(misbehave, ["a", how, "b", "c"])}
    lost = done.pop(how).error
    assert isinstance(lost, WorkerLost)
    assert lost.kind == kind
    assert detail in lost.detail
    assert {d.result for d in done.values()} == {"a done", "b done", "c done"}


@pytest.mark.parametrize(("how", "error"), [("raise", ValueError), ("secretive", RuntimeError)])
def test_an_error_comes_back_and_the_worker_lives_on(crew: Crew, how: str, error: type[Exception]) -> None:
    before = crew.call(pid, 0)
    with pytest.raises(error):
        crew.call(misbehave, how)
    assert crew.call(pid, 0) == before


def test_both_workers_work_and_nobody_is_left(crew: Crew) -> None:
    used = {d.result for d in crew.each(pid, range(12))}
    assert len(used) == 2
    crew.close()
    assert not any(psutil.pid_exists(p) for p in used if p)


def test_items_are_asked_for_as_they_are_needed_and_workers_go_on_meanwhile(crew: Crew, tmp_path: Path) -> None:
    """A thousand vehicles are not all planned at once, and a commit between two results holds no worker up."""
    asked: list[int] = []

    def items() -> Iterator[str]:
        for i in range(100):
            asked.append(i)
            yield str(tmp_path / str(i))

    results = crew.each(touch, items())
    made = [next(results).result]
    ahead = len(asked)
    assert 2 < ahead < 100
    end = time.monotonic() + 30
    while len(list(tmp_path.iterdir())) < ahead and time.monotonic() < end:  # we ask for nothing, as in a commit
        time.sleep(0.05)
    assert len(list(tmp_path.iterdir())) == ahead
    assert len(asked) == ahead
    made += [done.result for done in results]
    assert sorted(str(m) for m in made) == sorted(str(tmp_path / str(i)) for i in range(100))


def test_workers_end_when_we_are_killed() -> None:
    """The owner is killed outright while its worker is busy; the worker must not stay."""
    code = (
        "from herdbook.pipeline.night.workers import Crew\nfrom tests.night.worker_jobs import misbehave, pid\n"
        "c = Crew(1)\nprint(c.call(pid, 0), flush=True)\nc.call(misbehave, 'stall')"
    )
    owner = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert owner.stdout
    worker = psutil.Process(int(owner.stdout.readline()))
    time.sleep(0.2)
    os.kill(owner.pid, signal.SIGKILL)
    owner.wait()
    owner.stdout.close()
    worker.wait(timeout=10)


def test_a_script_without_a_guard_is_not_run_again_in_its_workers(tmp_path: Path) -> None:
    """multiprocessing's spawn imports the main script in every child; ours must not."""
    script = tmp_path / "script.py"
    script.write_text(
        "from herdbook.pipeline.night.workers import Crew\nfrom tests.night.worker_jobs import double\n"
        "print('here')\nwith Crew(1) as crew:\n    print(crew.call(double, 21))\n"
    )
    root = str(Path(__file__).parents[2])
    said = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, env=os.environ | {"PYTHONPATH": root}, check=True
    )
    assert (said.stdout, said.stderr) == ("here\n42\n", "")


def test_results_are_those_of_a_plain_loop(crew: Crew) -> None:
    assert sorted(d.result or 0 for d in crew.each(double, range(50))) == [double(i) for i in range(50)]
