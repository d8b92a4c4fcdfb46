"""Nights that are really disturbed: processes killed, servers gone. Afterwards everything is as if nothing had been."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
import pytest

from herdbook.flows.request import Ended
from herdbook.flows.supervise import run_once
from herdbook.flows.without_prefect import run_plain
from tests.flows.conftest import SHARED, Place, place
from tests.flows.same import assert_same

pytestmark = [pytest.mark.server, pytest.mark.slow]


def children(name: str) -> list[psutil.Process]:
    """Our descendants whose command line names something; not the server that all tests share, nor what it started."""
    shared = set(SHARED)
    shared |= {below for p in SHARED if p.is_running() for below in p.children(recursive=True)}
    every = set(psutil.Process().children(recursive=True)) - shared
    return [p for p in every if any(name in part for part in _line(p))]


def _line(process: psutil.Process) -> list[str]:
    try:
        return list(process.cmdline())
    except psutil.Error:
        return []


def disturbed(here: Place, stage: str, deed: Callable[[], None]) -> Ended:
    """A night with its own server in which `deed` is done once, when the stage begins."""
    done: list[int] = []

    def progress(n: int, of: int, text: str) -> None:
        if not done and text == stage and of:
            done.append(n)
            deed()

    ended = run_once(here.request, progress)
    assert done, "the deed was never done"
    return ended


def kill(name: str) -> Callable[[], None]:
    def deed() -> None:
        end = time.monotonic() + 300
        while not (found := children(name)) and time.monotonic() < end:
            time.sleep(0.01)
        assert found, f"no process {name}"
        for process in found:
            process.kill()

    return deed


STAGES = ("taking logs in", "assessing vehicles")


@pytest.mark.parametrize("stage", STAGES)
def test_flow_process_killed(fresh: Place, plain: Path, stage: str) -> None:
    ended = disturbed(fresh, stage, kill("herdbook.flows.server.night_process"))
    assert "finished without Prefect" in ended.note
    assert_same(fresh.folder, plain)


@pytest.mark.parametrize("stage", STAGES)
def test_server_killed_and_brought_back(fresh: Place, plain: Path, stage: str) -> None:
    disturbed(fresh, stage, kill("herdbook.flows.server.process"))
    assert_same(fresh.folder, plain)


@pytest.mark.parametrize("stage", STAGES)
def test_workers_killed(fresh: Place, plain: Path, stage: str) -> None:
    """Workers that somebody kills, and what they are forked from, cost no log its place: nothing goes to quarantine,
    nothing is left out."""
    ended = disturbed(fresh, stage, kill("multiprocessing.forkserver"))
    assert ended.result["quarantined"] == []
    assert ended.result["failed"] == []
    assert_same(fresh.folder, plain)


@pytest.fixture
def command(tmp_path: Path, inbox: Path) -> Iterator[tuple[Place, Callable[[], subprocess.Popen[str]]]]:
    """The command itself, as cron would run it, and its store."""
    here = place(tmp_path / "store", inbox)
    started: list[subprocess.Popen[str]] = []

    def start() -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "herdbook.flows.cli", "night", str(inbox), "--store", str(here.folder), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(process)
        return process

    yield here, start
    for process in started:
        process.kill()
        process.communicate()


@pytest.mark.parametrize("seed", range(5))
def test_the_whole_command_killed_at_a_random_instant(
    command: tuple[Place, Callable[[], subprocess.Popen[str]]], plain: Path, seed: int
) -> None:
    """kill -9 of the command: flow, server and workers go too, and the next night completes the work."""
    here, start = command
    process = start()
    below: set[psutil.Process] = set()
    end = time.monotonic() + random.Random(seed).uniform(1.0, 14.0)
    while time.monotonic() < end and process.poll() is None:
        below |= set(psutil.Process(process.pid).children(recursive=True))
        time.sleep(0.05)
    process.kill()
    process.communicate()
    _, alive = psutil.wait_procs(below, timeout=300)
    assert alive == []
    run_plain(here.request, lambda *_: None)
    assert_same(here.folder, plain)


@pytest.mark.parametrize("sign", [signal.SIGTERM, signal.SIGINT])
def test_the_command_stopped_in_order_leaves_a_word_and_no_process(
    command: tuple[Place, Callable[[], subprocess.Popen[str]]], plain: Path, sign: signal.Signals
) -> None:
    here, start = command
    process = start()
    while process.poll() is None and not (here.folder / "night" / "night.log").exists():
        time.sleep(0.05)
    time.sleep(3)
    below = psutil.Process(process.pid).children(recursive=True)
    os.kill(process.pid, sign)
    _, said = process.communicate(timeout=300)
    assert process.returncode == 130
    assert "stopped" in said
    assert "Traceback" not in said
    assert psutil.wait_procs(below, timeout=300)[1] == []
    run_plain(here.request, lambda *_: None)
    assert_same(here.folder, plain)


def test_the_undisturbed_command_prints_its_list_and_nothing_else(
    command: tuple[Place, Callable[[], subprocess.Popen[str]]], plain: Path
) -> None:
    here, start = command
    process = start()
    said, wrong = process.communicate(timeout=1200)
    result = json.loads(said)
    assert process.returncode == result["exit_code"]
    assert result["numbers"]["logs_new"] == 9
    assert "Traceback" not in wrong
    assert all(line.startswith("night: ") for line in wrong.splitlines()), wrong
    assert_same(here.folder, plain)
