"""The process behind flows.server: Prefect's web application under uvicorn, until our end of the pipe
closes.

Run as `python -m flows.server_process PORT` with a pipe on standard input; nobody writes to it. When the
command that started us goes, in whatever way, the pipe ends and the server shuts down in order.
"""

from __future__ import annotations

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
        sys.stdin.buffer.read()
        server.should_exit = True

    threading.Thread(target=wait_for_the_end, daemon=True).start()
    server.run()
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
