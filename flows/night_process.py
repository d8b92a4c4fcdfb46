"""The process that runs a flow: reads a request on standard input, writes progress on standard output.

Run as `python -m flows.night_process ANSWER` by flows.once. The answer is a JSON file, written whole or not
at all; errors that a person can mend are in it too. When the command that started us goes, our input ends,
and so do we: a half-done night without its supervisor is left to the next one.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from flows.once import Request
from flows.plan import Plan
from flows.server_process import wait_for_end_of_input
from pipeline.errors import HerdbookError


def main(answer: Path) -> int:
    import flows.night  # noqa: F401 - the slow part, while the server starts

    asked = json.loads(read_line())
    plan = asked.pop("plan")
    plan["notify"] = tuple(plan["notify"])
    asked["vehicles"] = tuple(asked["vehicles"])
    threading.Thread(target=end_with_supervisor, daemon=True).start()
    try:
        write_whole(answer, _run(Request(plan=Plan(**plan), **asked)))
        return 0
    except HerdbookError as error:
        kind = type(error).__name__
        problem = {"kind": kind, "what": error.what, "where": error.where, "do": error.do}
        write_whole(answer, {"error": problem})
        return error.exit_code


def _run(request: Request) -> dict[str, Any]:
    if request.kind == "backfill":
        from flows.backfill import run

        return run(request, say)
    from flows.night import run as run_night

    return run_night(request, say)


def say(done: int, of: int, stage: str) -> None:
    """One line of progress for the supervisor."""
    sys.stdout.write(json.dumps([done, of, stage]) + "\n")
    sys.stdout.flush()


def write_whole(path: Path, content: dict[str, Any]) -> None:
    half = path.with_suffix(".half")
    half.write_text(json.dumps(content), "utf-8")
    half.replace(path)


def read_line() -> bytes:
    """One line of standard input, not a byte more."""
    line = b""
    while not line.endswith(b"\n") and (byte := os.read(0, 1)):
        line += byte
    return line


def end_with_supervisor() -> None:
    wait_for_end_of_input()
    os.killpg(os.getpgid(0), signal.SIGKILL)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
