"""The pure work of a night inside a task, in whatever process: take a bundle of logs, assess a group of vehicles.

Nothing here writes to the catalogue, everything may be done twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from herdbook.flows.night.shared_workers import WorkerLimits
from herdbook.pipeline.assess.plan import PlanGroup
from herdbook.pipeline.intake.outcome import Outcome
from herdbook.pipeline.night.failures import GroupOutcome, after_failure, assess_group
from herdbook.pipeline.night.long_logs import take_safely
from herdbook.pipeline.store.store import Store


def take_bundle(store: Store, paths: Sequence[Path], limits: WorkerLimits) -> list[Outcome]:
    """Take logs one by one; one that breaks its worker goes to quarantine, the others go on.

    Raises: StoreError, when the store itself cannot go on.
    """
    return [take_safely(limits.workers(), store, path) for path in paths]


def assess_safely(store: Store, work: PlanGroup, limits: WorkerLimits) -> GroupOutcome:
    """A vehicle that cannot be assessed stays marked for the next night; it never stops the others.

    Raises: StoreError, when the store itself cannot go on.
    """

    def again(group: PlanGroup) -> GroupOutcome:
        return limits.workers().call(assess_group, store, group)

    try:
        return again(work)
    except Exception as error:
        return after_failure(work, error, again)
