"""The steps of a scan, once: find, take, commit, see who was judged by what changed, assess, commit, close, publish.
May be killed at any instruction; the next scan goes on.

How the parts are run is a Runner's choice: pipeline/night/in_workers.py on this machine, flows/night/as_tasks.py as
Prefect tasks. The results are the same. One scan at a time holds the store.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import ParamSpec, Protocol, TypeVar

from herdbook.pipeline.assess.commit import commit_groups
from herdbook.pipeline.assess.finding_log import FindingChange, worst_first
from herdbook.pipeline.assess.large_night import large_night
from herdbook.pipeline.assess.mend_record import mended_at_start
from herdbook.pipeline.assess.outdated import Again, due_again, mark_again
from herdbook.pipeline.assess.plan import PlanGroup, planned, vehicles_touched
from herdbook.pipeline.intake.account import InboxAccount
from herdbook.pipeline.intake.inbox import Found
from herdbook.pipeline.intake.ledger import commit, forget_removed
from herdbook.pipeline.intake.master_data import take_master_data
from herdbook.pipeline.intake.named_logs import as_named
from herdbook.pipeline.intake.outcome import Outcome
from herdbook.pipeline.intake.retry_refused import retry_refused
from herdbook.pipeline.night.batches import in_batches
from herdbook.pipeline.night.close import close
from herdbook.pipeline.night.contacts import hold_against_logs, profiles_due
from herdbook.pipeline.night.failures import GroupOutcome
from herdbook.pipeline.night.log_news import LogNews
from herdbook.pipeline.night.own_notes import own_notes
from herdbook.pipeline.night.progress import Progress, silent
from herdbook.pipeline.night.refused_profiles import notes as refusals
from herdbook.pipeline.night.refused_profiles import refused_profiles, vehicles_held_up
from herdbook.pipeline.night.scan_entry import LogCounts, begin_scan, check_clock, end_scan, ever_scanned, note_steps
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.settings_used import note_settings
from herdbook.pipeline.store.settle import settle
from herdbook.pipeline.store.store import Store

Find = Callable[[], Found | None]  # what is in the inbox; None when a scan is not about logs
# A commit costs some twenty statements, whatever is in it. A killed scan does one commit's work twice, and what workers
# had done meanwhile: a quarter of the scan, between the least and the most.
COMMIT_LOGS, COMMIT_VEHICLES, COMMIT_MOST, COMMIT_SHARE = 64, 64, 1024, 4
GROUP_SHARE = 4  # groups of vehicles for each process, and more towards the end
I = TypeVar("I")  # noqa: E741
P = ParamSpec("P")
R = TypeVar("R")


class Runner(Protocol):
    """Who does the pure work of a scan (it writes nothing to the catalogue and may be done twice) and shows the steps
    that write to it.

    commit_s: longest that a result waits for its commit while others come, in seconds. plan_at_once: most vehicles of a
    group, which is read from the catalogue in one visit. processes: that work at one time.
    """

    commit_s: float
    plan_at_once: int

    @property
    def processes(self) -> int: ...

    def take(self, paths: Sequence[Path]) -> Iterable[Outcome]:
        """Every log read and decoded, in order of completion. Raises: StoreError."""

    def assess(self, work: Iterable[PlanGroup]) -> Iterable[GroupOutcome]:
        """Every vehicle assessed, group by group, in order of completion. Raises: StoreError."""

    def run(self, function: Callable[[I], R], items: Sequence[I]) -> list[R | None]:
        """Other work that writes nothing, in the order of the items; None where a process was lost over one. Raises as
        it does."""

    def step(self, name: str, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        """A step that writes, here and now."""

    def release(self) -> None:
        """No more pure work will come."""


@dataclass(frozen=True, slots=True)
class ScanResult:
    """What a scan did. changes: rows of finding_log, worst first. failed: why vehicles could not be assessed. inbox:
    where everything in it ended."""

    scan: str
    logs_new: int = 0
    logs_known: int = 0
    quarantined: int = 0
    vehicles: int = 0
    changes: tuple[FindingChange, ...] = ()
    failed: dict[str, str] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    inbox: InboxAccount = field(default_factory=InboxAccount)


@dataclass
class ScanSteps:
    """One scan under way; for one run. now: when logs are received, microseconds UTC; None: by the clock.

    trust_clock: go on although an earlier scan ran at a later time.
    """

    store: Store
    runner: Runner
    progress: Progress = silent
    now: int | None = None
    counts: LogCounts = field(default_factory=LogCounts)
    vehicles: int = 0
    changes: list[FindingChange] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    again: Again = field(default_factory=Again)
    inbox: InboxAccount = field(default_factory=InboxAccount)
    news: LogNews = field(default_factory=LogNews)
    refused: dict[str, str] = field(default_factory=dict)  # what is wrong, by name of the profile
    trust_clock: bool = False

    def _check_clock(self) -> None:
        if self.now is None and not self.trust_clock:
            check_clock(self.store)

    def run(self, purpose: str, find: Find) -> ScanResult:
        """The whole scan. purpose: told to whoever finds the store in use.

        Raises: BusyError when another scan holds the store; StoreError when it cannot go on; what `find` raises.
        """
        store = self.store
        with self._alone(purpose):
            store.check_lake()
            self._check_clock()
            self.refused = refused_profiles(store)
            scan = begin_scan(store, self.now)
            try:
                settings = note_settings(store, scan)
                self._timed("take", self._take_all, find, scan)
                self._timed("assess", self._assess, scan)
            except BaseException:
                with suppress(Exception):  # whatever stopped the scan is what the user must hear
                    end_scan(store, scan, state="failed")
                raise
            self.runner.release()
            self.runner.step("close the scan", end_scan, store, scan, self.counts, self.vehicles, seconds=self.seconds)
            self.runner.step("note what is new", close, store, scan, self.failed)
            self.runner.step("move old rows", settle, store, self.now)
            self.progress(0, 1, "publishing")
            self._timed("publish", self.runner.step, "publish", publish, store)
            self.progress(1, 1, "publishing")
            note_steps(store, scan, {"publish": self.seconds["publish"]})
        told = tuple(sorted(self.changes, key=worst_first))
        return ScanResult(
            scan,
            **asdict(self.counts),
            vehicles=self.vehicles,
            changes=told,
            failed=self.failed,
            seconds=self.seconds,
            notes=(*settings, *self.again.notes),
            inbox=self.inbox,
        )

    def only_take(self, purpose: str, find: Find) -> InboxAccount:
        """Only take logs in; the next scan assesses what they touch and publishes. Before the first scan of a store
        they are published at once, as what they are. Raises as run()."""
        with self._alone(purpose):
            self._check_clock()
            self._take(find)
            self.runner.release()
            if not ever_scanned(self.store):  # nobody judges this store yet: what was taken can be looked at
                publish(self.store)
        return self.inbox

    @contextmanager
    def _alone(self, purpose: str) -> Iterator[None]:
        with self.store.lock(purpose):
            yield

    def _timed(self, name: str, function: Callable[..., object], *args: object) -> None:
        begun = time.monotonic()
        function(*args)
        self.seconds[name] = time.monotonic() - begun

    def _take(self, find: Find) -> None:
        found = find()
        if found is None:
            return
        self.inbox = InboxAccount.of(found)
        forget_removed(self.store, found.removed)
        taken = self.news.watch(as_named(self.store, self.runner.take(found.logs), self.now)) if found.logs else ()
        outcomes = self.inbox.watch(chain(found.refused, taken))
        results = self._counted(outcomes, len(found.refused) + len(found.logs), "taking logs in")
        for batch in in_batches(results, _enough(COMMIT_LOGS, len(found.logs)), self.runner.commit_s):
            done = commit(self.store, batch, self.now)
            self.inbox.add(done)
            self.counts = self.counts.plus(done)

    def _take_all(self, find: Find, scan: str) -> None:
        """What is new; then what other DBC files would decode otherwise, of vehicles to be judged again tonight."""
        told = [
            *refusals(self.refused),
            *own_notes(self.store),
            *take_master_data(self.store),
            *mended_at_start(self.store, self.now),
            *retry_refused(self.store, self.now),
        ]
        self._take(find)
        due = due_again(self.store, self.refused)
        self.again = replace(due, notes=(*self.news.notes(), *told, *due.notes))
        if self.again.logs:
            decoded = as_named(self.store, self.runner.take(self.again.logs), self.now)
            results = self._counted(decoded, len(self.again.logs), "decoding again")
            enough = _enough(COMMIT_LOGS, len(self.again.logs))
            for batch in in_batches(results, enough, self.runner.commit_s):
                commit(self.store, batch, self.now)
        mark_again(self.store, self.again, scan)

    def _assess(self, scan: str) -> None:
        """Every vehicle whose record changed, also those that an earlier scan left behind; profiles first."""
        if due := profiles_due(self.store):
            self.runner.step("hold profiles against logs", hold_against_logs, self.store, scan, due, self.runner.run)
        held_up = vehicles_held_up(self.store, self.refused)
        self.failed |= held_up
        vehicles = [v for v in vehicles_touched(self.store) if v not in held_up]
        large = large_night(self.store, len(vehicles))
        work = planned(self.store, vehicles, self.runner.plan_at_once, GROUP_SHARE * self.runner.processes, large)
        results = self._counted(self.runner.assess(work), len(vehicles), "assessing vehicles", _vehicles)
        enough = _enough(COMMIT_VEHICLES, len(vehicles))
        for batch in in_batches(results, enough, self.runner.commit_s, _vehicles):
            self.changes += commit_groups(self.store, [group for seen in batch for group in seen.assessed], scan)
            for seen in batch:
                self.failed |= seen.problems
                self.vehicles += seen.vehicles - len(seen.problems)

    def _counted(
        self, results: Iterable[I], total: int, stage: str, size: Callable[[I], int] = lambda result: 1
    ) -> Iterator[I]:
        self.progress(0, total, stage)
        done = 0
        for result in results:
            yield result
            done += size(result)
            self.progress(done, total, stage)


def _enough(least: int, total: int) -> int:
    """How many results make a commit, of so many in all."""
    return max(least, min(COMMIT_MOST, total // COMMIT_SHARE))


def _vehicles(seen: GroupOutcome) -> int:
    return seen.vehicles
