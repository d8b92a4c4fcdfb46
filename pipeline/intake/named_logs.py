"""Logs that would be refused because nothing, or too much, says whose they are: a person's word settles it, also when
they are decoded again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from herdbook.pipeline.intake.outcome import CONTRADICTION, UNUSABLE, Outcome, QuarantinedLog
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.store.connection import visit
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.store.store import Store


def as_named(store: Store, outcomes: Iterable[Outcome], now: int | None = None) -> Iterator[Outcome]:
    """The same outcomes; a log that was refused is taken here and now for the vehicle that a person named
    (corrections.give). now: when logs are received, microseconds UTC. Raises: StoreError, ProfileError."""
    with visit(store.catalogue, read_only=True) as con:
        said = {row["log"]: row["vehicle"] for row in ask(con, __name__, "named_by_person")}
    for outcome in outcomes:
        refused = isinstance(outcome, QuarantinedLog) and outcome.reason in (UNUSABLE, CONTRADICTION)
        if refused and outcome.file.log in said:
            yield take_log(Path(outcome.file.path), store, now=now, vehicle=said[outcome.file.log])
        else:
            yield outcome
