"""A Prefect server that hangs: it accepts every connection and never answers. The night ends all the same."""

from __future__ import annotations

import signal
import socket
import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import psutil
import pytest

from herdbook.flows import supervise as once
from herdbook.flows.server.server import Pulse, Server
from herdbook.flows.supervise import run_once
from tests.flows.conftest import Place
from tests.flows.same import assert_same
from tests.flows.test_faults import children, disturbed
from tests.flows.test_night import ask

pytestmark = [pytest.mark.server, pytest.mark.slow]


@pytest.fixture
def deaf() -> Iterator[str]:
    """An address where somebody accepts, reads and says nothing."""
    held: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def accept() -> None:
            while True:
                try:
                    held.append(server.accept()[0])
                except OSError:
                    return

        thread = threading.Thread(target=accept, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{server.getsockname()[1]}/api"
        server.shutdown(socket.SHUT_RDWR)
    thread.join(5)
    for one in held:
        one.close()


def test_somebody_elses_server_that_hangs_is_left_behind(
    fresh: Place, plain: Path, deaf: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(once, "SILENT_S", 8.0)
    ended = run_once(fresh.asked(server=deaf))
    assert "no answer for 8 s" in ended.note
    assert "finished without Prefect" in ended.note
    assert_same(fresh.folder, plain)


@pytest.mark.parametrize("stage", ["taking logs in", "assessing vehicles"])
def test_our_own_server_that_hangs_is_started_again(
    fresh: Place, plain: Path, stage: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its process is stopped (SIGSTOP): the kernel goes on accepting for it."""
    monkeypatch.setattr(once, "SILENT_S", 8.0)
    stopped: list[psutil.Process] = []

    def stop() -> None:
        stopped.extend(children("herdbook.flows.server.process"))
        for process in stopped:
            process.send_signal(signal.SIGSTOP)

    ended = disturbed(fresh, stage, stop)
    assert stopped
    assert not any(p.is_running() for p in stopped)
    assert ended.result["failed"] == []
    assert_same(fresh.folder, plain)


def test_one_answer_is_a_pulse_and_a_long_sleep_is_no_silence(server: Server, deaf: str) -> None:
    alive, dead = Pulse(server.url, every_s=0.0, patience_s=120.0), Pulse(deaf, every_s=0.0)
    dead.asked -= 3600  # the machine slept for an hour between two questions
    assert dead.silent_s() < 60
    assert alive.silent_s() == 0.0
    time.sleep(0.5)
    assert dead.silent_s() >= 0.5
    assert alive.silent_s() == 0.0


def test_limits_of_the_plan_are_the_servers_and_hold(fresh: Place, plain: Path, server: Server) -> None:
    """One task that takes logs at a time although there are two workers and several bundles."""
    ended = run_once(fresh.asked(server=server.url, take_limit=1, assess_limit=2))
    assert ended.note == ""
    assert_same(fresh.folder, plain)
    limits = {one["name"]: one["limit"] for one in ask(server, "v2/concurrency_limits/filter")}
    assert limits == limits | {"tag:herdbook-take": 1, "tag:herdbook-assess": 2}
    runs = ask(server, "flow_runs/filter", flow_runs={"state": {"type": {"any_": ["COMPLETED"]}}})
    run = next(r for r in runs if r["parameters"].get("store") == str(fresh.folder))
    tasks = ask(server, "task_runs/filter", flow_runs={"id": {"any_": [run["id"]]}})
    times = sorted((t["start_time"], t["end_time"]) for t in tasks if t["name"].startswith("take "))
    assert len(times) >= 2
    assert all(end <= start for (_, end), (start, _) in pairwise(times))
