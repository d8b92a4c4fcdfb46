"""Taking frames off a bus: one thread a bus that does nothing else, and a queue of bounded length behind it."""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import Any

from herdbook.pipeline.bench.live.open_bus import OpenBus, trouble
from herdbook.pipeline.errors import BusError

MOST = 50_000  # frames that may wait, about six seconds at 1 Mbit/s
WAIT_S = 0.1  # how long one look at the bus waits; a stop takes this long at most


class Receiver:
    """Frames of one bus, in order. dropped: those for which the queue had no room. ended: why the bus went away.

    Never calls the bus's send().
    """

    def __init__(self, opened: OpenBus, most: int = MOST) -> None:
        self.opened = opened
        self.dropped = 0
        self.ended: BusError | None = None
        self._most = most
        self._waiting: deque[Any] = deque()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"bus {opened.address.label}", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(timeout=2.0)

    def taken(self) -> list[Any]:
        """python-can's messages that have come since the last call."""
        waiting = self._waiting
        return [waiting.popleft() for _ in range(len(waiting))]

    def _run(self) -> None:
        receive, waiting, stopped = self.opened.can.recv, self._waiting, self._stop.is_set
        try:
            while not stopped():
                if (message := receive(WAIT_S)) is None:
                    continue
                if not message.timestamp:  # an interface without a clock
                    message.timestamp = time.time()
                if len(waiting) < self._most:
                    waiting.append(message)
                else:
                    self.dropped += 1
        except Exception as error:  # whatever a driver raises: the recording must be closed in order
            if not stopped():
                self.ended = trouble(self.opened.address, error, "the bus went away")
