"""The worker's own side: one job after the other, from a pipe that only its owner holds, until the pipe closes."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import sys
import threading
from multiprocessing.connection import Connection, wait
from typing import Any


def serve(pipe: Connection, threads: int) -> None:
    """The worker's life. threads: that the column library may use."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole terminal; our end is the owner's decision
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    os.environ["POLARS_MAX_THREADS"] = str(threads)  # read when its pool is made, with the first table
    if "pyarrow" in sys.modules:
        sys.modules["pyarrow"].set_cpu_count(threads)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    while True:
        try:
            job = pipe.recv_bytes()
        except (EOFError, OSError):
            return
        answer = _answer(pipe, job)
        try:
            pipe.send(answer)
        except (TypeError, AttributeError, ValueError) as error:  # an answer or error that cannot be pickled
            pipe.send((False, RuntimeError(f"{type(answer[1]).__name__} cannot be sent back: {error}")))


def _answer(pipe: Connection, job: bytes) -> tuple[bool, Any]:
    try:
        function, args, kwargs = pickle.loads(job)  # sent by our own process, over a pipe nobody else has
    except Exception as error:
        pipe.send(None)
        return False, error
    pipe.send(None)
    try:
        return True, function(*args, **kwargs)
    except Exception as error:
        return False, error


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
    os._exit(1)
