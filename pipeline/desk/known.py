"""What a publication says of a vehicle, kept until the next one: a zoom then asks the database nothing."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar, cast

from herdbook.pipeline.lake.read import LogRef, log_refs
from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

T = TypeVar("T")
MOST = 64  # answers: of a vehicle with twenty thousand logs one takes up some megabytes
FIRST, LAST = -(2**62), 2**62


class Known:
    """Answers of one publication; those that nobody asked for lately are forgotten."""

    def __init__(self) -> None:
        self._of: object = None
        self._answers: OrderedDict[tuple[str, ...], object] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, publication: object, key: tuple[str, ...], make: Callable[[], T]) -> T:
        """publication: its state as it was seen before make() reads; another one empties what is known."""
        with self._lock:
            if publication != self._of:
                self._of = publication
                self._answers.clear()
            if key in self._answers:
                self._answers.move_to_end(key)
                return cast(T, self._answers[key])
        made = make()
        with self._lock:
            if publication == self._of:
                self._answers[key] = made
                while len(self._answers) > MOST:
                    self._answers.popitem(last=False)
        return made


def known(store: Store, key: tuple[str, ...], make: Callable[[], T]) -> T:
    """make(), or what it gave of the same publication; of a store that is no desk's always make()."""
    publications = getattr(store, "publications", None)
    if publications is None:
        return make()
    answer: T = publications.known.of(publications.state(), key, make)
    return answer


def refs_of(store: Store, vehicle: str, start: int, end: int) -> list[LogRef]:
    """Logs that touch [start, end), also expired ones, in order of time and hash."""

    def every() -> list[LogRef]:
        with store.read() as con:
            return log_refs(con, vehicle, FIRST, LAST, expired=True)

    return [r for r in known(store, ("refs", vehicle), every) if r.start < end and r.end >= start]


def frames_of(store: Store, vehicle: str, messages: frozenset[str]) -> dict[tuple[str, str], int]:
    """Frames by log and message, of all channels, of all logs of a vehicle."""

    def every() -> dict[tuple[str, str], int]:
        with store.read() as con:
            rows = ask(con, __name__, "frames", vehicle=vehicle, messages=sorted(messages))
        return {(row["log"], row["message"]): int(row["frames"]) for row in rows}

    return known(store, ("frames", vehicle, *sorted(messages)), every) if messages else {}
