"""The night's work, step by step, without Prefect: what the flow wraps and what finishes a night without
it.

Every step is safe to repeat. Workers do the pure work (flows/hands.py); one process, ours, commits what
they bring in short transactions, under the store's lock. A killed night loses at most what was not
committed yet, and the next one does just that again.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, ParamSpec, Protocol, TypeVar

from flows.hands import Hands, Seen, assess_safely, bundles, dismiss, take_bundle
from flows.once import TOO_LONG, TOO_LONG_DO, Progress, Request
from pipeline import nightbook
from pipeline.again import mark_again
from pipeline.assess import Work, plan, vehicles_touched
from pipeline.changes import NOTHING, QUARANTINED
from pipeline.errors import HerdbookError
from pipeline.health.engine import rule_set_hash
from pipeline.inbox import new_logs
from pipeline.ledger import commit
from pipeline.notify import notify
from pipeline.publish import publish
from pipeline.results import commit_assessed
from pipeline.store import Store
from pipeline.taken import Taken

I = TypeVar("I")  # noqa: E741
P = ParamSpec("P")
R = TypeVar("R")
R_co = TypeVar("R_co", covariant=True)
AHEAD = 4  # tasks under way for each worker: enough to keep it busy, few enough to bound memory
COMMIT_LOGS, COMMIT_VEHICLES, COMMIT_S = 64, 16, 2.0  # a killed night does at most this much twice


class Steps(Protocol):
    """Who runs the steps: Plain below, or Prefect's tasks (flows/night.py)."""

    def take(self, store: Store, work: Iterable[list[Path]], hands: Hands) -> Iterator[list[Taken]]: ...
    def assess(self, store: Store, work: Iterable[Work], hands: Hands) -> Iterator[Seen]: ...
    def step(self, name: str, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R: ...


@dataclass(frozen=True, slots=True)
class Plain:
    """The steps without Prefect: threads that feed the crew. until: as in rolling()."""

    until: float

    def take(self, store: Store, work: Iterable[list[Path]], hands: Hands) -> Iterator[list[Taken]]:
        return self._run(lambda paths: take_bundle(store, paths, hands), work, hands.processes)

    def assess(self, store: Store, work: Iterable[Work], hands: Hands) -> Iterator[Seen]:
        return self._run(lambda one: assess_safely(store, one, hands), work, hands.processes)

    def _run(self, function: Callable[[I], R], items: Iterable[I], most: int) -> Iterator[R]:
        with ThreadPoolExecutor(most) as threads:
            yield from rolling(lambda item: threads.submit(function, item), items, most * AHEAD, self.until)

    def step(self, name: str, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        return function(*args, **kwargs)


class Promise(Protocol[R_co]):
    """What a future of Prefect and one of the standard library have in common."""

    def add_done_callback(self, fn: Callable[[Any], None]) -> None: ...
    def result(self) -> R_co: ...


def rolling(submit: Callable[[I], Promise[R]], items: Iterable[I], most: int, until: float) -> Iterator[R]:
    """Results in order of completion, with at most so many items under way; the first error ends it.

    until: on the monotonic clock; a night that is not done by then ends. Raises: HerdbookError then.
    """
    done: SimpleQueue[Promise[R]] = SimpleQueue()

    def one() -> R:
        try:
            return done.get(timeout=max(0.0, until - time.monotonic())).result()
        except Empty:
            raise HerdbookError(TOO_LONG, do=TOO_LONG_DO) from None

    under_way = 0
    for item in items:
        if under_way >= most:
            yield one()
            under_way -= 1
        submit(item).add_done_callback(done.put)
        under_way += 1
    for _ in range(under_way):
        yield one()


def in_batches(items: Iterable[I], most: int, wait_s: float = COMMIT_S) -> Iterator[list[I]]:
    """Gather what workers bring into commits: few enough to be cheap, often enough to lose little."""
    held: list[I] = []
    since = time.monotonic()
    for item in items:
        held.append(item)
        if len(held) >= most or time.monotonic() - since > wait_s:
            yield held
            held, since = [], time.monotonic()
    if held:
        yield held


@dataclass
class Tally:
    """The numbers of one night."""

    logs_found: int = 0
    taken: int = 0
    known: int = 0
    quarantined: int = 0
    vehicles: int = 0
    take_s: float = 0.0
    assess_s: float = 0.0
    publish_s: float = 0.0
    failed: list[Seen] = field(default_factory=list)

    def numbers(self) -> dict[str, float]:
        return {k: round(v, 2) for k, v in vars(self).items() if isinstance(v, int | float)}


def carry_out(request: Request, steps: Steps, progress: Progress) -> dict[str, Any]:
    """One whole night; its change list as a dict, with numbers, what failed, and what became of the messages.

    Raises: BusyError when another scan holds the store; StoreError and SettingsError as they come.
    """
    store = Store.open(request.store)
    hands = Hands(request.plan.processes, store.settings.log_time_s, store.settings.log_memory_mb)
    tally = Tally()
    with store.lock("the nightly scan" if request.kind == "night" else "a backfill"):
        scan = nightbook.begin_scan(store)
        if request.kind == "night":
            take_all(request, store, steps, hands, tally, progress)
        else:
            mark_again(store, request.since, request.until, request.vehicles)
        assess_all(store, scan, steps, hands, tally, progress)
        begun = time.monotonic()
        counts = (tally.taken, tally.known, tally.quarantined, tally.vehicles)
        steps.step("close the night", nightbook.end_scan, store, scan, *counts, rule_set_hash())
        steps.step("note what is new", nightbook.close, store, scan)
        steps.step("publish", publish, store)
        tally.publish_s = time.monotonic() - begun
    return tell(request, store, scan, steps, tally)


def take_all(request: Request, store: Store, steps: Steps, hands: Hands, tally: Tally, progress: Progress) -> None:
    """Every new log of the inbox into the store."""
    begun = time.monotonic()
    paths = new_logs(store, request.inbox)
    tally.logs_found, done = len(paths), 0
    progress("taking logs in", done, len(paths))
    work = bundles(paths, request.plan.bundle_mb)
    each = (taken for result in steps.take(store, work, hands) for taken in result)
    for batch in in_batches(each, COMMIT_LOGS):
        committed = commit(store, batch)
        tally.taken += committed.taken
        tally.known += committed.known
        tally.quarantined += committed.quarantined
        done += len(batch)
        progress("taking logs in", done, len(paths))
    tally.take_s = time.monotonic() - begun


def assess_all(store: Store, scan: str, steps: Steps, hands: Hands, tally: Tally, progress: Progress) -> None:
    """Every vehicle whose record changed, also those that an earlier night left behind."""
    begun = time.monotonic()
    vehicles = vehicles_touched(store)
    progress("assessing vehicles", 0, len(vehicles))
    for batch in in_batches(steps.assess(store, _planned(store, vehicles), hands), COMMIT_VEHICLES):
        tally.failed += [seen for seen in batch if seen.assessed is None]
        good = [seen.assessed for seen in batch if seen.assessed is not None]
        commit_assessed(store, good, scan)
        tally.vehicles += len(good)
        progress("assessing vehicles", tally.vehicles + len(tally.failed), len(vehicles))
    tally.assess_s = time.monotonic() - begun


def _planned(store: Store, vehicles: Sequence[str], at_once: int = 8) -> Iterator[Work]:
    """What each vehicle's assessment needs from the catalogue, read shortly before it is handed out."""
    for first in range(0, len(vehicles), at_once):
        yield from plan(store, vehicles[first : first + at_once])


def tell(request: Request, store: Store, scan: str, steps: Steps, tally: Tally) -> dict[str, Any]:
    """Read the change list back, send it, and put everything into one dict."""
    changes = nightbook.last_night(store, request.plan.quiet_days, scan)
    assert changes is not None, "the night was closed before"
    wanted = request.plan.when == "always" or changes.exit_code or tally.failed
    targets = request.plan.notify if wanted and request.kind == "night" else ()
    sent = steps.step("send messages", notify, changes, targets, nightbook.Messages(store)) if targets else []
    return changes.as_dict() | {
        "exit_code": changes.exit_code or (QUARANTINED if tally.failed else NOTHING),
        "rows": [list(row) for row in changes.rows()],
        "numbers": tally.numbers(),
        "failed": [{"vehicle": s.vehicle, "problem": s.problem} for s in tally.failed],
        "messages": [asdict(d) for d in sent],
    }


def run_plain(request: Request, progress: Progress) -> dict[str, Any]:
    """A whole night without Prefect."""
    try:
        return carry_out(request, Plain(time.monotonic() + request.plan.limit_h * 3600), progress)
    finally:
        dismiss()
