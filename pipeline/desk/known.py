"""What a publication says of a vehicle, kept until the next one: a zoom then asks the database nothing."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar, cast

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

T = TypeVar("T")
MOST = 64  # answers: of a vehicle with twenty thousand logs one takes up some megabytes


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
