"""A scan from the command line or from Python, without Prefect. What it does step by step: pipeline/night/steps.py."""

from __future__ import annotations

from pathlib import Path

from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.intake.account import InboxAccount
from herdbook.pipeline.intake.inbox import Found, new_logs
from herdbook.pipeline.night.forks import preload_workers
from herdbook.pipeline.night.in_workers import InWorkers
from herdbook.pipeline.night.progress import Progress, silent
from herdbook.pipeline.night.steps import Find, ScanResult, ScanSteps
from herdbook.pipeline.store.store import Store


def run_scan(
    inbox: Path | str,
    store: Store,
    jobs: int = 2,
    progress: Progress | None = None,
    now: int | None = None,
    trust_clock: bool = False,
) -> ScanResult:
    """Take in what is new in the inbox, assess what it touches, publish. jobs: worker processes; 0 works in this one.
    trust_clock: although an earlier scan ran at a later time.

    Raises: BusyError when another scan holds the store; StoreError when it cannot go on; InputError without an inbox.
    """
    if jobs:
        preload_workers()  # they import while we look at profiles and the inbox
    with InWorkers(store, jobs, now) as runner:
        steps = ScanSteps(store, runner, progress or silent, now, trust_clock=trust_clock)
        return steps.run("a scan", _preloading(store, lambda: new_logs(store, inbox, now), jobs))


def run_take(inbox: Path | str, store: Store, jobs: int = 2, progress: Progress | None = None) -> InboxAccount:
    """Only take logs in; the next scan assesses what they touch and publishes. Raises as run_scan()."""
    with InWorkers(store, jobs) as runner:
        steps = ScanSteps(store, runner, progress or silent)
        return steps.only_take("taking logs in", lambda: new_logs(store, inbox))


def scan_found(store: Store, purpose: str, find: Find, jobs: int, progress: Progress | None = None) -> ScanResult:
    """A scan over what `find` finds. Raises as run_scan(), and what `find` raises."""
    with InWorkers(store, jobs) as runner:
        return ScanSteps(store, runner, progress or silent).run(purpose, _preloading(store, find, jobs))


def _preloading(store: Store, find: Find, jobs: int) -> Find:
    """find(), and then what the end of the scan needs is loaded while workers are still importing."""

    def find_and_preload() -> Found | None:
        found = find()
        if jobs and found and found.logs:
            preload_workers()
            store.profiles()
            all_rules()
        return found

    return find_and_preload
