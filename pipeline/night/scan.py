"""A scan from the command line or from Python, without Prefect. What it does step by step: pipeline/night/steps.py."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.intake.inbox import new_logs
from herdbook.pipeline.night.forks import preload_workers
from herdbook.pipeline.night.in_workers import InWorkers
from herdbook.pipeline.night.progress import Progress, silent
from herdbook.pipeline.night.scan_entry import LogCounts
from herdbook.pipeline.night.steps import Find, ScanResult, ScanSteps
from herdbook.pipeline.store.store import Store


def run_scan(
    inbox: Path | str, store: Store, jobs: int = 2, progress: Progress | None = None, now: int | None = None
) -> ScanResult:
    """Take in what is new in the inbox, assess what it touches, publish. jobs: worker processes; 0 works in this one.

    Raises: BusyError when another scan holds the store; StoreError when it cannot go on; InputError without an inbox.
    """
    return scan_found(store, "a scan", lambda: new_logs(store, inbox), jobs=jobs, progress=progress, now=now)


def run_take(inbox: Path | str, store: Store, jobs: int = 2, progress: Progress | None = None) -> LogCounts:
    """Only take logs in; the next scan assesses what they touch and publishes. Raises as run_scan()."""
    with InWorkers(store, jobs) as runner:
        steps = ScanSteps(store, runner, progress or silent)
        return steps.only_take("taking logs in", lambda: new_logs(store, inbox))


def scan_found(
    store: Store, purpose: str, find: Find, jobs: int, progress: Progress | None = None, now: int | None = None
) -> ScanResult:
    """A scan over what `find` finds. Raises as run_scan(), and what `find` raises."""

    def find_and_preload() -> Sequence[Path] | None:
        paths = find()
        if jobs and paths:
            preload_workers()
            store.profiles()  # what the end of the scan needs is loaded while workers are still importing
            all_rules()
        return paths

    with InWorkers(store, jobs, now) as runner:
        return ScanSteps(store, runner, progress or silent, now).run(purpose, find_and_preload)
