"""Loaded by every Python process whose PYTHONPATH names this folder: logs named poison-* really hurt their reader.

The reading process itself is hit, from inside, the way a fault in a native library would hit it.
"""

import os
import signal
import sys
import time


def _hook(event: str, args: tuple[object, ...]) -> None:
    if event != "open" or not isinstance(args[0], str) or "poison-" not in args[0]:
        return
    if "poison-crash" in args[0]:
        os.kill(os.getpid(), signal.SIGSEGV)
    if "poison-stall" in args[0]:
        time.sleep(600)
    if "poison-swell" in args[0]:
        held = []
        while True:
            held.append(os.urandom(1 << 22) * 4)


sys.addaudithook(_hook)
