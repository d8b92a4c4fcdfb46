"""How worker processes come to be: forked from a process that has done nothing but import what they need
(pipeline/night/preload.py), or started afresh where there is no such fork (Windows)."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import sys
import threading
from collections.abc import Iterator
from typing import Any

PRELOAD = "herdbook.pipeline.night.preload"
_STARTING = threading.Lock()


def context() -> Any:
    """What worker processes are made with."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    found = multiprocessing.get_context("forkserver")
    found.set_forkserver_preload([PRELOAD])
    return found


def few_threads() -> None:
    """Before numpy and the column library are loaded: a process that only hands out work needs no thread for each core
    of a large machine, and each of them costs."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("POLARS_MAX_THREADS", "2")


def preload_workers() -> None:
    """Let the process that workers are forked from begin with its imports, while we do something else."""
    if "forkserver" in multiprocessing.get_all_start_methods():
        from multiprocessing import forkserver

        context()
        with alone():
            forkserver.ensure_running()


@contextlib.contextmanager
def alone() -> Iterator[None]:
    """Keep a starting process from running our main module again: a script that scans without the usual
    `if __name__ == "__main__"` would start scans in every worker. What workers run they import by name, and nothing
    from the folder that we happen to be in: it may be anybody's."""
    main = sys.modules["__main__"]
    with _STARTING:
        kept: dict[str, Any] = {n: vars(main)[n] for n in ("__file__", "__spec__") if n in vars(main)}
        vars(main).pop("__file__", None)
        main.__spec__ = None
        safe = os.environ.get("PYTHONSAFEPATH")
        os.environ["PYTHONSAFEPATH"] = "1"
        try:
            yield
        finally:
            vars(main).update(kept)
            if safe is None:
                del os.environ["PYTHONSAFEPATH"]
