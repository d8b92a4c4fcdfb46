"""One night, now: start a server quietly, run the flow in a process of its own, and finish whatever happens.

The flow's process keeps Prefect's output, also what it prints at exit, away from the user: it goes to
`STORE/night/night.log`. A server that dies is started again at the same address and the flow goes on. If the
flow cannot finish all the same (no server at all, its process killed), the night is finished here by the same
functions without Prefect: what is committed is not done twice. A night with nothing to do is done here at once
(nothing_new.py).
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from types import FrameType
from typing import Any

from herdbook.flows.nothing_new import nothing_new
from herdbook.flows.request import TOO_LONG, TOO_LONG_DO, Ended, Request
from herdbook.flows.server.server import (
    ONE_RUN,
    SILENT_S,
    Pulse,
    Server,
    ServerError,
    appending,
    environment,
    free_port,
)
from herdbook.flows.without_prefect import run_plain
from herdbook.pipeline import errors
from herdbook.pipeline.errors import HerdbookError, damage
from herdbook.pipeline.extras import need
from herdbook.pipeline.night.messages import alarm
from herdbook.pipeline.night.progress import Progress, silent
from herdbook.pipeline.operating_system import WINDOWS

MOST_RESTARTS = 3
LOOK_S = 0.1


class FlowDied(RuntimeError):
    """The flow's process ended without a result."""


def run_once(request: Request, progress: Progress | None = None) -> Ended:
    """Run one night (or backfill) to its end; one that dies tells so. Raises: what killed it."""
    with leaving_in_order():
        try:
            return _finished(request, progress or silent)
        except Exception as error:
            told = damage(error) or error
            tell_of_death(told, request.settings.notify)
            raise told from None


def _finished(request: Request, progress: Progress) -> Ended:
    if request.settings.dask:
        need("prefect_dask", "[night] dask")
    home = Path(request.store) / "night"
    home.mkdir(parents=True, exist_ok=True, mode=0o750)
    if nothing_new(request):
        return Ended(run_plain(request, progress))
    try:
        return Ended(_with_prefect(request, home, progress))
    except (ServerError, FlowDied) as error:
        note = f"{error}. The night was finished without Prefect; nothing is missing"
        return Ended(run_plain(request, progress), note)


def tell_of_death(error: Exception, notify: Sequence[str]) -> None:
    """Every address hears that the night died, whatever killed it; no address hides the error itself."""
    known = isinstance(error, HerdbookError)
    reason = str(error) if known else f"a fault of Herdbook itself ({type(error).__name__}: {error})"
    with suppress(Exception):
        alarm(reason, notify)


def _with_prefect(request: Request, home: Path, progress: Progress) -> dict[str, Any]:
    """Run the flow's process, with a server beside it unless [night] names one, and read the result."""
    answer = home / f"result-{os.getpid()}.json"
    answer.unlink(missing_ok=True)
    server = None if request.settings.server else Server(home, free_port(), ONE_RUN)
    url = server.url if server else request.settings.server
    flow = _start(home, url, answer)
    try:
        if server:
            server.start()  # while the flow's process imports what it needs: it waits for the request
        _ask(flow, request)
        listener = threading.Thread(target=_listen, args=(flow.stdout, progress), daemon=True)
        listener.start()
        _wait(flow, server, url, request.settings.limit_h * 3600 + 60)
        listener.join(5)
        return _read(answer, home)
    finally:
        end_group(flow)
        if server:
            server.stop()
        answer.unlink(missing_ok=True)


def _start(home: Path, url: str, answer: Path) -> subprocess.Popen[bytes]:
    with appending(home / "night.log") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "herdbook.flows.server.night_process", str(answer)],
            env=environment(home, url),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=log,
            start_new_session=True,
        )


def _ask(flow: subprocess.Popen[bytes], request: Request) -> None:
    assert flow.stdin
    with suppress(BrokenPipeError):  # it has died already: waiting for it will tell
        flow.stdin.write(json.dumps(asdict(request)).encode() + b"\n")
        flow.stdin.flush()


def _wait(flow: subprocess.Popen[bytes], server: Server | None, url: str, limit_s: float) -> None:
    """Until the flow ends. A server of ours that died or hangs is brought back; a night beyond its limit is ended.

    Raises: ServerError when there is no server any more that answers; HerdbookError for a night beyond its limit.
    """
    begun = time.monotonic()
    restarts, pulse = 0, Pulse(url)
    while flow.poll() is None:
        hangs = pulse.silent_s() > SILENT_S
        if hangs and (server is None or restarts >= MOST_RESTARTS):
            raise ServerError(f"the Prefect server at {url} has given no answer for {SILENT_S:.0f} s")
        if server and (hangs or not server.alive()) and restarts < MOST_RESTARTS:
            restarts += 1
            server.restart()
            pulse.reset()
        if time.monotonic() - begun > limit_s:
            raise HerdbookError(TOO_LONG, do=TOO_LONG_DO)
        time.sleep(LOOK_S)


def _read(answer: Path, home: Path) -> dict[str, Any]:
    try:
        said: dict[str, Any] = json.loads(answer.read_text("utf-8"))
    except (OSError, ValueError):
        raise FlowDied(f"the flow's process ended early; its log is {home / 'night.log'}") from None
    if problem := said.get("error"):
        kind = getattr(errors, problem["kind"], HerdbookError)
        raise kind(problem["what"], problem["where"], problem["do"])
    return said


def _listen(lines: Any, progress: Progress) -> None:
    """Progress comes as one JSON array a line; anything else that lands on the pipe is not for the user."""
    with suppress(ValueError, OSError):
        for line in lines:
            with suppress(ValueError, TypeError):
                done, of, stage = json.loads(line)
                progress(int(done), int(of), str(stage))


def end_all(process: subprocess.Popen[bytes], hard: bool) -> None:
    """Ask a process that leads its own session, and what it started, to end; hard: end them. On Windows, which has no
    such groups, the process alone: what it started hears of it by its pipes."""
    if WINDOWS:
        process.kill() if hard else process.terminate()
    else:
        os.killpg(process.pid, signal.SIGKILL if hard else signal.SIGTERM)


def end_group(process: subprocess.Popen[bytes], patience_s: float = 5.0) -> None:
    """End a process that leads its own session, and everything it started."""
    for hard in (False, True):
        with suppress(ProcessLookupError, PermissionError):
            end_all(process, hard)
        with suppress(subprocess.TimeoutExpired):
            process.wait(patience_s)
    with suppress(ProcessLookupError, PermissionError):
        end_all(process, hard=True)  # children that outlived their leader
    for pipe in (process.stdin, process.stdout):
        if pipe:
            with suppress(BrokenPipeError):
                pipe.close()


@contextmanager
def leaving_in_order() -> Iterator[None]:
    """SIGTERM ends us like Ctrl-C does: through the `finally` clauses that stop flow and server."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def leave(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
