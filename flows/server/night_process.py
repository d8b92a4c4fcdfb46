"""The process that runs a flow: reads a request on standard input, writes progress on standard output.

Run as `python -m herdbook.flows.server.night_process ANSWER` by herdbook.flows.supervise. The answer is a JSON file,
written whole or not at all; errors that a person can mend are in it too. When the command that started us goes, our
input ends, and so do we: a half-done night without its supervisor is left to the next one.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from herdbook.flows.request import Request
from herdbook.flows.server.process import at_end_of_input
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.night.forks import few_threads
from herdbook.pipeline.operating_system import WINDOWS
from herdbook.pipeline.settings import NightSettings


def main(answer: Path) -> int:
    few_threads()
    asked: SimpleQueue[bytes] = SimpleQueue()
    threading.Thread(target=_listen, args=(asked,), daemon=True).start()
    import herdbook.flows.night.flow  # noqa: F401 - the slow part, while the server starts

    try:
        write_whole(answer, _run(_request(asked.get())))
        return 0
    except HerdbookError as error:
        kind = type(error).__name__
        problem = {"kind": kind, "what": error.what, "where": error.where, "do": error.do}
        write_whole(answer, {"error": problem})
        return error.exit_code


def _listen(asked: SimpleQueue[bytes]) -> None:
    """The request is one line; after it nothing comes but the end, and then it is time to go."""
    line = b""
    while not line.endswith(b"\n") and (byte := os.read(0, 1)):
        line += byte
    asked.put(line)
    at_end_of_input(go)


def go() -> None:
    """End this process and everything it started: it leads its own group."""
    if WINDOWS:
        os._exit(1)
    os.killpg(os.getpgid(0), signal.SIGKILL)


def _request(line: bytes) -> Request:
    asked = json.loads(line)
    night = asked.pop("settings")
    night["notify"] = tuple(night["notify"])
    asked["vehicles"] = tuple(asked["vehicles"])
    return Request(settings=NightSettings(**night), **asked)


def _run(request: Request) -> dict[str, Any]:
    if request.kind == "backfill":
        from herdbook.flows.night.backfill import run

        return run(request, say)
    from herdbook.flows.night.flow import run as run_night

    return run_night(request, say)


def say(done: int, of: int, stage: str) -> None:
    """One line of progress for the supervisor."""
    sys.stdout.write(json.dumps([done, of, stage]) + "\n")
    sys.stdout.flush()


def write_whole(path: Path, content: dict[str, Any]) -> None:
    half = path.with_suffix(".half")
    half.write_text(json.dumps(content), "utf-8")
    half.replace(path)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
