"""Killed with SIGKILL at random instants of a scan, the store ends up as if nothing had happened.

Every child is a real process that runs a whole scan; the parent kills it after a random time, starts the next one on
the same store, and so on until one gets through. Then every published row and every byte of the lake must be equal
to those of an undisturbed scan.
"""

from __future__ import annotations

import contextlib
import hashlib
import multiprocessing
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from pkgutil import iter_modules

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
from tests.toy.bench import LEDGER, NOW, RESULTS, Bench, answers

DAY = 86_400_000_000
ROOT = Path(__file__).resolve().parents[2]
HANGS_S = 600.0  # nothing here takes so long unless it hangs
TOLD = {"finding_log": "SELECT * EXCLUDE (scan) FROM finding_log ORDER BY ALL"}


def fill(inbox: Path) -> None:
    for serial in (1, 2, 3):
        for day in range(2):
            ride = toy.stretch(
                toy.T0 + day * DAY, 40, kmh=15, amps=-10, mode=2, serial=serial, pack_serial=500 + serial
            )
            toy.write(inbox / f"TOY-00{serial}" / f"{day}.log", ride)
    toy.write(inbox / "cut.log", [*toy.stretch(toy.T0 + 5 * DAY, 10), "(17723"])
    toy.write(inbox / "junk.log", ["nothing of use"] * 9)


def everything(bench: Bench) -> dict[str, str]:
    found = answers(bench.store, RESULTS | LEDGER | TOLD)
    for path in sorted(bench.store.lake.root.rglob("*.parquet")):
        found[path.relative_to(bench.store.lake.root).as_posix()] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def modules() -> list[str]:
    """Everything a scan imports, also late: importing is not what is to be killed."""
    import herdbook.pipeline.health.rules
    import herdbook.pipeline.metrics

    late = ["duckdb", "pyarrow.parquet", "pyarrow.compute", "cantools.database", "scipy.stats", "scipy.ndimage"]
    for package in (herdbook.pipeline.metrics, herdbook.pipeline.health.rules):
        late += [m.name for m in iter_modules(package.__path__, f"{package.__name__}.")]
    return ["herdbook.pipeline.night.scan", "herdbook.decoders.formats.candump.reader", *late]


class Scan:
    """A running scan. jobs 0: forked from a server that has everything imported, so that kills fall into the work."""

    def __init__(self, folder: Path, jobs: int) -> None:
        self.forked: ForkServerProcess | None = None
        self.spawned: subprocess.Popen[bytes] | None = None
        if jobs:
            code = SCRIPT.format(folder=str(folder), jobs=jobs, now=NOW)
            self.spawned = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, start_new_session=True)
            self.pid = self.spawned.pid
            return
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(modules())
        store = Store.open(folder / "store")
        self.forked = context.Process(target=run_scan, args=(folder / "inbox", store, 0, None, NOW))
        self.forked.start()
        self.pid = self.forked.pid or 0

    def wait(self, seconds: float) -> int | None:
        """Exit code, None while it runs."""
        if self.forked is not None:
            self.forked.join(seconds)
            return self.forked.exitcode
        assert self.spawned is not None
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.spawned.wait(seconds)
        return self.spawned.poll()

    def kill(self) -> None:
        """The scan and all its workers."""
        if self.forked is not None:
            os.kill(self.pid, signal.SIGKILL)
        else:
            os.killpg(self.pid, signal.SIGKILL)
        self.wait(HANGS_S)


SCRIPT = """
from pathlib import Path
from pkgutil import iter_modules
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
folder = Path({folder!r})
run_scan(folder / "inbox", Store.open(folder / "store"), jobs={jobs}, now={now})
"""


def survive(tmp_path: Path, kills: int, jobs: int, seed: int, keep: str = "") -> int:
    """Kill until `kills` are done and the last store is complete; stores that got through in between. keep: settings of
    the stores that are killed."""
    rng = random.Random(seed)
    assert Scan(Bench(tmp_path / "warm").folder, jobs).wait(HANGS_S) == 0  # imports are not what is to be killed
    calm = Bench(tmp_path / "calm")
    fill(calm.inbox)
    began = time.monotonic()
    assert Scan(calm.folder, jobs).wait(HANGS_S) == 0
    length = time.monotonic() - began
    expected = everything(calm)
    assert any("cut.log" in row for row in (expected["logs"],))
    done = rounds = 0
    while done < kills or rounds == 0:
        shaken = Bench(tmp_path / "shaken")
        with (shaken.store.folder / "herdbook.toml").open("a") as file:
            file.write(f"[keep]\n{keep}\n")
        shutil.copytree(calm.inbox, shaken.inbox, dirs_exist_ok=True)
        while True:
            scan = Scan(shaken.folder, jobs)
            code = scan.wait(rng.uniform(0, length) if done < kills else HANGS_S)
            if code is not None:
                assert code == 0
                break
            scan.kill()
            done += 1
        found = everything(shaken)
        for name, value in expected.items():
            assert found.get(name) == value, f"{name} after {done} kills (seed {seed})"
        assert found.keys() == expected.keys()
        rounds += 1
        shutil.rmtree(shaken.folder)
    return rounds


def test_a_few_kills(tmp_path: Path) -> None:
    assert survive(tmp_path, kills=4, jobs=0, seed=1) >= 1


@pytest.mark.slow
def test_two_hundred_kills(tmp_path: Path) -> None:
    assert survive(tmp_path, kills=200, jobs=0, seed=int(time.time())) >= 5


@pytest.mark.slow
def test_kills_with_worker_processes(tmp_path: Path) -> None:
    """The whole process group dies; no worker is left behind to write on."""
    assert survive(tmp_path, kills=25, jobs=2, seed=int(time.time())) >= 1


@pytest.mark.slow
def test_kills_while_workers_write_the_record(tmp_path: Path) -> None:
    """As if every night were a large one: files are entered with what was judged by them, or not at all."""
    assert survive(tmp_path, kills=25, jobs=2, seed=int(time.time()), keep="young_rows = 0") >= 1


def test_workers_end_with_a_killed_scan(tmp_path: Path) -> None:
    """Only the scan itself is killed: its workers notice and end within seconds."""
    import psutil

    bench = Bench(tmp_path)
    for n in range(40):
        toy.write(bench.inbox / f"{n}.log", toy.stretch(toy.T0 + n * DAY, 30))
    scan = Scan(bench.folder, jobs=2)
    children: list[psutil.Process] = []
    end = time.monotonic() + HANGS_S
    while len(children) < 3 and time.monotonic() < end:  # two workers and what they are forked from
        below = psutil.Process(scan.pid).children(recursive=True)
        children = [c for c in below if "multiprocessing.forkserver" in " ".join(c.cmdline())]
        time.sleep(0.05)
    os.kill(scan.pid, signal.SIGKILL)
    scan.wait(HANGS_S)
    _, alive = psutil.wait_procs(children, timeout=HANGS_S)
    assert len(children) == 3
    assert not alive
