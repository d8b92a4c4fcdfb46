"""The local server: quiet, silent to the outside, and never left behind. Each test starts a real one."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from herdbook.flows.server.server import SILENT, ServerError, environment, local_server
from tests.flows.conftest import HANGS_S

pytestmark = pytest.mark.server

WATCH = """
import os, sys
def hook(event, args):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.sendto"):
        with open(os.environ["WATCH_FILE"], "a") as f:
            f.write(f"{event} {args[1:] if event == 'socket.connect' else args[:2]}\\n")
sys.addaudithook(hook)
"""
HOLDER = """
import sys, time
from pathlib import Path
from herdbook.flows.supervise import leaving_in_order
from herdbook.flows.server.server import local_server
with leaving_in_order(), local_server(Path(sys.argv[1]), start_limit_s=1200.0) as server:
    print(server.process.pid, flush=True)
    time.sleep(600)
"""


@pytest.mark.slow
def test_it_answers_restarts_at_the_same_address_and_goes(home: Path) -> None:
    with local_server(home, start_limit_s=HANGS_S) as server:
        assert server.answers()
        first, url = server.process, server.url
        assert first is not None
        first.kill()
        first.wait()
        assert not server.alive()
        server.restart()
        assert server.answers()
        assert server.url == url
        last = server.process
    assert last is not None
    assert last.returncode is not None
    assert not server.answers()
    assert "Traceback" not in server.log.read_text("utf-8")


@pytest.mark.parametrize("sign", [pytest.param(signal.SIGTERM, marks=pytest.mark.slow), signal.SIGKILL])
def test_no_server_is_left_behind(home: Path, sign: signal.Signals) -> None:
    """The holder is ended from outside, once politely and once not; the server goes either way."""
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(home)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert holder.stdout
    server = psutil.Process(int(holder.stdout.readline()))
    holder.send_signal(sign)
    said, wrong = holder.communicate(timeout=300)
    server.wait(timeout=300)
    assert said == ""
    assert "server" not in wrong


@pytest.mark.slow
def test_nothing_leaves_the_machine(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python's own audit hooks note every address the server process connects to or asks a resolver for."""
    (tmp_path / "sitecustomize.py").write_text(WATCH)
    seen = tmp_path / "seen.txt"
    seen.touch()
    monkeypatch.setenv("WATCH_FILE", str(seen))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), os.environ.get("PYTHONPATH", "")]))
    with local_server(home, one_run=False, start_limit_s=HANGS_S):
        time.sleep(2)
    lines = seen.read_text().splitlines()
    assert [line for line in lines if "127.0.0.1" not in line and "localhost" not in line] == []


def test_prefect_reads_our_switches_as_off(tmp_path: Path) -> None:
    """Prefect's own settings object is asked, in a process with our environment."""
    ask = (
        "from prefect.settings import get_current_settings as g;"
        "from prefect.analytics import is_telemetry_enabled as t;"
        "s = g(); print(s.server.analytics_enabled, t(), s.cloud.enable_orchestration_telemetry,"
        "s.telemetry.enable_resource_metrics, s.server.ephemeral.enabled, s.server.ui.show_promotional_content)"
    )
    said = subprocess.run(
        [sys.executable, "-c", ask],
        env=environment(tmp_path),
        text=True,
        capture_output=True,
        check=True,
    )
    assert said.stdout.split() == ["False"] * 6
    assert set(SILENT) <= set(environment(tmp_path))


def test_a_taken_port_is_an_error_that_says_what_to_set(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(ServerError, match=r"\[night\] port"), local_server(tmp_path, port=port):
            pass
