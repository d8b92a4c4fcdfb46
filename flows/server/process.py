"""The process behind herdbook.flows.server.server: Prefect's web application under uvicorn, until our end of the pipe
closes.

Run as `python -m herdbook.flows.server.process PORT` with a pipe on standard input; nobody writes to it. When the
command that started us goes, in whatever way, the pipe ends and the server shuts down in order.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable
from typing import Any


def main(port: int) -> int:
    running: list[Any] = []

    def leave() -> None:
        if running and running[0].started:
            running[0].should_exit = True
        else:
            os._exit(0)  # still starting: nothing of anybody's is lost

    threading.Thread(target=at_end_of_input, args=(leave,), daemon=True).start()
    import uvicorn
    from prefect.server.api.server import create_app

    config = uvicorn.Config(
        create_app(final=True), host="127.0.0.1", port=port, log_level="warning", timeout_graceful_shutdown=3
    )
    running.append(uvicorn.Server(config))
    running[0].run()
    return 0


def at_end_of_input(leave: Callable[[], None]) -> None:
    """Call leave() when nobody holds the other end of our standard input any more. Unbuffered: a thread that sleeps in
    a buffered reader makes the interpreter abort when it leaves."""
    while os.read(0, 4096):
        pass
    leave()


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
