"""Buses for tests: python-can's virtual one, one that goes away, one that counts what is sent, one that is a wire."""

from __future__ import annotations

import threading
import time
from typing import Any

import can
from can.interfaces.virtual import VirtualBus

MODULE = "tests.live.buses"


class Vanishing(VirtualBus):
    """Gives `frames` frames, then fails as a pulled plug does."""

    def __init__(self, channel: Any, frames: int = 100, **kwargs: Any) -> None:
        super().__init__(channel, **kwargs)
        self.left = frames

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if not self.left:
            raise can.CanOperationError("Failed to receive: Network is down", 100)
        self.left -= 1
        return can.Message(timestamp=time.time(), arbitration_id=self.left, is_extended_id=False, data=b"\1\2"), False


class Deaf(VirtualBus):
    """Listening must never come here."""

    sent = 0

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        Deaf.sent += 1


class Wire(VirtualBus):
    """Stands for an interface with a vehicle behind it."""


def known() -> None:
    """Make them interfaces of python-can."""
    found = {"vanishing": "Vanishing", "deaf": "Deaf", "wire": "Wire"}
    can.interfaces.BACKENDS.update({name: (MODULE, cls) for name, cls in found.items()})
    can.interfaces.BACKENDS["nodriver"] = ("no_such_driver_module", "Bus")
    can.VALID_INTERFACES = can.interfaces.VALID_INTERFACES = frozenset(can.interfaces.BACKENDS)


def message(k: int) -> can.Message:
    """Frame k of a stream whose frames all differ."""
    return can.Message(arbitration_id=k % 2000, is_extended_id=False, data=k.to_bytes(8, "little"))


def stream(channel: str, rate: int, stop: threading.Event, most: int = 10**9) -> int:
    """Frames 0, 1, 2, ... at about that rate; how many."""
    with can.Bus(channel, interface="virtual", ignore_config=True) as bus:
        begun = time.monotonic()
        k = 0
        while not stop.is_set() and k < most:
            bus.send(message(k))
            k += 1
            if (ahead := begun + k / rate - time.monotonic()) > 0.001:
                time.sleep(ahead)
    return k
