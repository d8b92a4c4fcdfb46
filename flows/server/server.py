"""A local Prefect server for the length of a `with`: loopback only, quiet, no telemetry, gone at exit.

Its settings are those of Prefect 3.9: analytics of the server and of the client are off, nothing is
promoted in its pages, and services that one short run does not need stay off. The database lives in `home`;
a home kept from night to night skips the migrations (about half of a first start). Everything it prints
goes to `home/server.log`.

The server dies with us, however we die: it holds the read end of a pipe whose write end only we have
(flows/server/process.py), so even `kill -9` of the command leaves no orphan.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPException
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

START_LIMIT_S = 300.0  # engineering choice: a first start took 78 s where 24 busy processes shared two cores
STOP_LIMIT_S = 10.0
SILENT_S = 60.0  # a server that gives no answer for so long hangs; engineering choice: a busy one takes seconds
LOG_BYTES = 5_000_000

SILENT = {
    "DO_NOT_TRACK": "1",  # the client's own switch, read by prefect._internal.analytics
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
    "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
    "PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS": "false",
    "PREFECT_SERVER_ALLOW_EPHEMERAL_MODE": "false",
    "PREFECT_LOGGING_COLORS": "false",
    "PREFECT_CLI_PROMPT": "false",
}
ONE_RUN = {  # nothing is scheduled while the server lives for one run; task runs are still recorded
    "PREFECT_SERVER_UI_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_SCHEDULER_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_LATE_RUNS_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_FOREMAN_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_TRIGGERS_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_CANCELLATION_CLEANUP_ENABLED": "false",
    "PREFECT_SERVER_SERVICES_PAUSE_EXPIRATIONS_ENABLED": "false",
}
SERVING = {  # runs of the last three months stay; else the database would grow for ever
    "PREFECT_SERVER_SERVICES_DB_VACUUM_ENABLED": "events,flow_runs",
}


class ServerError(RuntimeError):
    """The local server did not start; the message says why or where its log is."""


def environment(home: Path, url: str | None = None) -> dict[str, str]:
    """The environment for the server and its clients: ours, with Prefect pointed at `home`, and without the current
    folder among the places that Python loads code from: it may be anybody's."""
    mine = {k: v for k, v in os.environ.items() if not k.startswith("PREFECT_")}
    mine |= SILENT | {"PREFECT_HOME": str(home), "PYTHONSAFEPATH": "1"}
    if url:
        mine["PREFECT_API_URL"] = url
    return mine


@dataclass
class Server:
    """One server process. `restart` brings a dead one back at the same address, over the same database."""

    home: Path
    port: int
    extra: dict[str, str]
    start_limit_s: float = START_LIMIT_S
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/api"

    @property
    def log(self) -> Path:
        return self.home / "server.log"

    def start(self) -> None:
        """Start and wait until it answers. Raises ServerError when it ends early or stays silent."""
        begun = time.monotonic()
        if not _free(self.port):
            raise ServerError(
                f"port {self.port} is in use by another program; set [night] port, or server if it is yours"
            )
        self.home.mkdir(parents=True, exist_ok=True, mode=0o750)
        with appending(self.log) as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "herdbook.flows.server.process", str(self.port)],
                env=environment(self.home) | self.extra,
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=log,
                start_new_session=True,  # Ctrl-C reaches us, and we stop it in order
            )
        while not self.answers():
            if self.process.poll() is not None:
                raise ServerError(f"the local Prefect server ended while starting; its log is {self.log}")
            if time.monotonic() - begun > self.start_limit_s:
                self.stop()
                raise ServerError(
                    f"no answer from the local Prefect server in {self.start_limit_s:.0f} s; see {self.log}"
                )
            time.sleep(0.05)
        self.started_s = time.monotonic() - begun

    def answers(self) -> bool:
        return answers(self.url)

    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def restart(self) -> None:
        self.stop()
        self.start()

    def stop(self) -> None:
        """End it and wait; a server that does not go is killed."""
        if self.process is None:
            return
        if self.process.stdin:
            self.process.stdin.close()
        self.process.terminate()
        try:
            self.process.wait(STOP_LIMIT_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process = None

    def __enter__(self) -> Server:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self.stop()


def answers(url: str, patience_s: float = 2.0) -> bool:
    """Whether a server's API gives any answer at all; one that asks for a password is there too."""
    try:
        with urllib.request.urlopen(f"{url}/health", timeout=patience_s):
            return True
    except urllib.error.HTTPError as error:
        return error.code < 500
    except (urllib.error.URLError, OSError, HTTPException):
        return False


class Pulse:
    """How long a server has given no answer; asks it now and then. A process that lives may hang all the same."""

    def __init__(self, url: str, every_s: float = 5.0, patience_s: float = 2.0) -> None:
        self.url, self.every_s, self.patience_s = url, every_s, patience_s
        self.asked = time.monotonic()
        self.failed: float | None = None  # when it first gave none, since its last answer

    def silent_s(self) -> float:
        """Seconds from the first question without an answer to the last one; 0 after an answer."""
        if time.monotonic() - self.asked >= self.every_s:
            self.asked = time.monotonic()
            if answers(self.url, self.patience_s):
                self.failed = None
            elif self.failed is None:
                self.failed = self.asked
        return 0.0 if self.failed is None else self.asked - self.failed

    def reset(self) -> None:
        self.asked, self.failed = time.monotonic(), None


def appending(log: Path) -> BinaryIO:
    """A log file to add to; a large one is put aside first, so that no more than two are kept."""
    if log.exists() and log.stat().st_size > LOG_BYTES:
        log.replace(log.with_suffix(".old.log"))
    return log.open("ab")


def free_port() -> int:
    """A loopback port that was free a moment ago."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _free(port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # else a restart waits for old connections
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


@contextmanager
def local_server(
    home: Path, *, port: int | None = None, one_run: bool = True, start_limit_s: float = START_LIMIT_S
) -> Iterator[Server]:
    """A server that lives as long as the `with`. one_run leaves out pages and scheduler; serving needs both."""
    with Server(home, port or free_port(), ONE_RUN if one_run else SERVING, start_limit_s) as server:
        yield server
