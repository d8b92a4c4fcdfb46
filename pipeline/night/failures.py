"""What becomes of a log or vehicle that could not be dealt with: it fails alone, with the reason, or stops the scan."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from herdbook.pipeline.assess.assess import assess
from herdbook.pipeline.assess.group import AssessedGroup, together
from herdbook.pipeline.assess.into_files import into_files
from herdbook.pipeline.assess.plan import PlanGroup
from herdbook.pipeline.errors import DamagedPartError, HerdbookError, StoreError
from herdbook.pipeline.intake.inbox import stamp_of
from herdbook.pipeline.intake.outcome import LogFile, QuarantinedLog
from herdbook.pipeline.night.workers import WorkerLost
from herdbook.pipeline.store.store import Store

ADVICE = "Raise [take] log_time_s or log_memory_mb if the log is just large, then `herdbook quarantine --retry`"


def lost_log(path: Path, error: BaseException) -> QuarantinedLog:
    """A log that took its worker down goes to quarantine. Raises: any other error, which stops the scan."""
    if not isinstance(error, WorkerLost | MemoryError):
        raise error
    kind = getattr(error, "kind", "too large")
    try:
        size, stamp = stamp_of(path)
    except OSError:
        size, stamp = 0, ""
    file = LogFile(str(path), path.name, size, stamp)
    return QuarantinedLog(file, f"its reader {kind}", str(error), ADVICE)


@dataclass(frozen=True, slots=True)
class GroupOutcome:
    """Vehicles after their assessment. assessed: what is to be committed; problems: why the others could not be
    assessed, by vehicle."""

    assessed: tuple[AssessedGroup, ...] = ()
    problems: Mapping[str, str] = field(default_factory=dict)

    @property
    def vehicles(self) -> int:
        return sum(group.judged.height for group in self.assessed) + len(self.problems)


def assess_group(store: Store, group: PlanGroup) -> GroupOutcome:
    """Every vehicle of a group, one after the other, in whatever process; one that fails fails alone.

    Raises: StoreError, when the store itself cannot go on.
    """
    done, problems = [], {}
    for known in group.each():
        try:
            done.append(assess(store, known))
        except Exception as error:
            problems[known.vehicle] = not_assessed(error)
    if not done:
        return GroupOutcome(problems=problems)
    return GroupOutcome((into_files(store, together(done), group.numbers),), problems)


def after_failure(
    group: PlanGroup, error: BaseException, again: Callable[[PlanGroup], GroupOutcome] | None = None
) -> GroupOutcome:
    """A group that failed as a whole. When it lost its worker, its vehicles are tried again one at a time (by `again`,
    in a worker), so that only the one that did it fails. Raises: as not_assessed()."""
    if again is None or not isinstance(error, WorkerLost) or len(group.vehicles) == 1:
        problem = not_assessed(error)
        return GroupOutcome(problems=dict.fromkeys(group.vehicles, problem))
    assessed: list[AssessedGroup] = []
    problems: dict[str, str] = {}
    for one in group.singly():
        try:
            seen = again(one)
        except Exception as its_own:
            seen = after_failure(one, its_own)
        assessed += seen.assessed
        problems |= seen.problems
    return GroupOutcome(tuple(assessed), problems)


def not_assessed(error: BaseException) -> str:
    """Why, in words: the vehicle stays marked for the next scan; the others go on. Raises: StoreError, when the store
    cannot."""
    if isinstance(error, StoreError) and not isinstance(error, DamagedPartError):
        raise error
    known = isinstance(error, HerdbookError | WorkerLost)
    return str(error) if known else f"{type(error).__name__}: {error}"
