"""Questions on their way: how far each has come, and how it is stopped.

Whoever works on an answer runs in a thread of its own and calls step() now and then; connections that it opens are
noted, so that stopping ends a statement that is inside the database as well. A question ends by itself after its time.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

from herdbook.pipeline.errors import HerdbookError

if TYPE_CHECKING:
    import duckdb

T = TypeVar("T")
PAGE_S = 60.0  # a page is answered by then, or says that it could not be
LONG_S = 1800.0  # what shows its progress and can be stopped may take longer
_current: ContextVar[Question | None] = ContextVar("question", default=None)


class StoppedError(HerdbookError):
    """A question that somebody stopped, or that took too long."""


@dataclass
class Question:
    """name: chosen by who asks, so that the same page can ask how far it is. done, of: of whatever it counts."""

    name: str
    end: float
    done: int = 0
    of: int = 0
    words: str = ""
    why: str = ""  # it is to stop
    cons: list[duckdb.DuckDBPyConnection] = field(default_factory=list)

    def stop(self, why: str) -> None:
        self.why = self.why or why
        for con in list(self.cons):
            with suppress(Exception):  # closed meanwhile
                con.interrupt()

    def check(self) -> None:
        """Raises: StoppedError when it is to stop."""
        if not self.why and time.monotonic() > self.end:
            self.stop("it took too long")
        if self.why:
            raise StoppedError(f"the question was ended: {self.why}", do="Ask for less, or ask again")


class Questions:
    """All that are being answered."""

    def __init__(self) -> None:
        self._open: dict[str, Question] = {}
        self._lock = threading.Lock()
        self._count = 0
        self._watch: threading.Thread | None = None

    def known(self, name: str) -> Question | None:
        return self._open.get(name)

    def stop(self, name: str, why: str = "somebody stopped it") -> bool:
        found = self._open.get(name)
        if found:
            found.stop(why)
        return found is not None

    def stop_all(self) -> None:
        for question in list(self._open.values()):
            question.stop("the desk was closed")

    @contextmanager
    def asking(self, name: str, seconds: float) -> Iterator[Question]:
        """name: "" where nobody will ask for it. A second question of one name ends the first: its page moved on."""
        with self._lock:
            self._count += 1
            name = name or f"page {self._count}"
            if before := self._open.get(name):
                before.stop("the page asked for something else")
            question = self._open[name] = Question(name, time.monotonic() + seconds)
            if self._watch is None:
                self._watch = threading.Thread(target=self._end_late_ones, name="questions", daemon=True)
                self._watch.start()
        mark = _current.set(question)
        try:
            yield question
        finally:
            _current.reset(mark)
            with self._lock:
                if self._open.get(name) is question:
                    del self._open[name]

    def answer(self, name: str, seconds: float, work: Callable[[], T]) -> T:
        """work(), inside asking(). Raises: StoppedError in the place of what the database says to an interruption."""
        with self.asking(name, seconds) as question:
            try:
                return work()
            except Exception:
                question.check()
                raise

    def _end_late_ones(self) -> None:
        while True:
            time.sleep(0.5)
            now = time.monotonic()
            for question in list(self._open.values()):
                if now > question.end:
                    question.stop("it took too long")


def opened(con: duckdb.DuckDBPyConnection) -> None:
    """Note a connection of the question that this thread answers."""
    if question := _current.get():
        question.cons.append(con)


def step(done: int, of: int, words: str = "") -> None:
    """How far the question of this thread is. Raises: StoppedError when it is to stop."""
    if question := _current.get():
        question.done, question.of, question.words = done, of, words
        question.check()
