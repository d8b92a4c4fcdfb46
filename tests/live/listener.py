"""Listens to a virtual bus on which it also speaks, to be killed: CHANNEL OUT RATE [bytes a file may have]

Runs the verb itself; its sender is a thread beside it.
"""

from __future__ import annotations

import resource
import signal
import sys
import threading

from herdbook.flows.cli import main
from tests.live.buses import stream

if __name__ == "__main__":
    channel, out, rate, *most = sys.argv[1:]
    if most:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(most[0]), int(most[0])))
    threading.Thread(target=stream, args=(channel, int(rate), threading.Event()), daemon=True).start()
    sys.argv = ["herdbook", "listen", "--bus", f"virtual:{channel}", "--out", out]
    main()
