"""Serving: one command that keeps the night on its schedule, with Prefect's pages to watch it.

Three processes: ours, which only watches; a Prefect server with scheduler and pages (unless [night] server
names one that somebody else runs); and Prefect's runner, which starts each night in a process of its own.
Whichever of the two ends unasked is started again, and so is a server of ours that gives no answer for a minute.
What they print goes to `STORE/night/server.log` and `serve.log`.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from herdbook.flows.night_settings import read_night_settings
from herdbook.flows.server.server import SILENT_S, Pulse, Server, appending, environment, local_server
from herdbook.flows.supervise import end_group, leaving_in_order
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.extras import need
from herdbook.pipeline.settings import FILE, NightSettings
from herdbook.pipeline.store.store import Store

NAME = "nightly scan"
LOOK_S = 0.5
REST_S = 5.0  # between restarts, so that a fault that stays does not spin


def serve(folder: Path | str, say: Callable[[str], None] = print) -> None:
    """Serve until stopped (Ctrl-C or SIGTERM). Raises: HerdbookError for settings, ServerError for the port."""
    store = Store.open(folder)
    night = read_night_settings(store.folder)
    if not night.inbox:
        raise SettingsError("[night] inbox is not set", store.folder / FILE, 'Write inbox = "/path/of/the/inbox"')
    if night.dask:
        need("prefect_dask", "[night] dask")
    home = store.folder / "night"
    with leaving_in_order(), _server(night, home) as server:
        url = server.url if server else night.server
        runner = _start_runner(store.folder, home, url)
        say(f"Serving the {NAME}: {night.cron} ({night.zone}), inbox {night.inbox}.")
        say(f"Watch it at {url.removesuffix('/api')} (Runs; Artifacts for what is new). Stop with Ctrl-C.")
        pulse = Pulse(url)
        try:
            while True:
                time.sleep(LOOK_S)
                if server and (not server.alive() or pulse.silent_s() > SILENT_S):
                    time.sleep(REST_S)
                    server.restart()
                    pulse.reset()
                if runner.poll() is not None:
                    time.sleep(REST_S)
                    runner = _start_runner(store.folder, home, url)
        except KeyboardInterrupt:
            say("Stopped. No night will run until you serve again.")
        finally:
            end_group(runner)


@contextmanager
def _server(night: NightSettings, home: Path) -> Iterator[Server | None]:
    if night.server:
        yield None
    else:
        with local_server(home, port=night.port, one_run=False) as server:
            yield server


def _start_runner(folder: Path, home: Path, url: str) -> subprocess.Popen[bytes]:
    with appending(home / "serve.log") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "herdbook.flows.server.serve_process", str(folder)],
            env=environment(home, url),
            cwd=home,  # Prefect loads code from the folder it runs in: let that be ours
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=log,
            start_new_session=True,
        )
