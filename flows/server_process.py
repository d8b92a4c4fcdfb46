"""The process behind flows.server: Prefect's web application under uvicorn, until our end of the pipe
closes.

Run as `python -m flows.server_process PORT` with a pipe on standard input; nobody writes to it. When the
command that started us goes, in whatever way, the pipe ends and the server shuts down in order.
"""

from __future__ import annotations

import os
import sys
import threading


def main(port: int) -> int:
    import uvicorn
    from prefect.server.api.server import create_app

    app = create_app(final=True)
    server = uvicorn.Server(
        uvicorn.Config(app, host="127.0.0.1", port=port, log_level="warning", timeout_graceful_shutdown=3)
    )

    def wait_for_the_end() -> None:
        wait_for_end_of_input()
        server.should_exit = True

    threading.Thread(target=wait_for_the_end, daemon=True).start()
    server.run()
    return 0


def wait_for_end_of_input() -> None:
    """Block until nobody holds the other end of our standard input any more. Unbuffered: a thread that sleeps inside a
    buffered reader makes the interpreter abort when it leaves."""
    while os.read(0, 4096):
        pass


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
