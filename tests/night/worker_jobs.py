"""Jobs for the tests of worker processes; workers import them by name."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path


def double(x: int) -> int:
    return 2 * x


def touch(path: str) -> str:
    Path(path).touch()
    return path


def pid() -> int:
    return os.getpid()


def meet(folder: str) -> int:
    """Wait in this folder until a second process is here too."""
    (Path(folder) / str(os.getpid())).touch()
    end = time.monotonic() + 240
    while len(list(Path(folder).iterdir())) < 2 and time.monotonic() < end:
        time.sleep(0.01)
    return os.getpid()


def stall(path: str) -> str:
    """Say that it has begun; then a file called sleep or spin never ends, any other is done."""
    Path(path).touch()
    while Path(path).name == "spin":
        pass
    if Path(path).name == "sleep":
        time.sleep(3600)
    return path


def misbehave(how: str) -> str:
    """Do what a poisoned log may make a reader do; anything unknown is well-behaved."""
    if how == "segfault":
        os.kill(os.getpid(), signal.SIGSEGV)
    if how == "exit":
        os._exit(7)
    if how == "swell":
        held = []
        while True:
            held.append(b"x" * (1 << 26))  # written to, so that it is resident
    if how == "raise":
        raise ValueError("bad log")
    if how == "secretive":
        return lambda: None  # type: ignore[return-value]
    return f"{how} done"
