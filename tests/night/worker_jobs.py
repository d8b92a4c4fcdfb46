"""Work for the crew's tests; workers import it by name."""

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


def misbehave(how: str) -> str:
    """Do what a poisoned log may make a reader do; anything unknown is well-behaved."""
    if how == "segfault":
        os.kill(os.getpid(), signal.SIGSEGV)
    if how == "exit":
        os._exit(7)
    if how == "stall":
        time.sleep(600)
    if how == "spin":
        while True:
            pass
    if how == "swell":
        held = []
        while True:
            held.append(b"x" * (1 << 26))  # written to, so that it is resident
    if how == "raise":
        raise ValueError("bad log")
    if how == "secretive":
        return lambda: None  # type: ignore[return-value]
    return f"{how} done"


def pid(_: int) -> int:
    time.sleep(0.05)
    return os.getpid()
