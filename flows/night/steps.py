"""The pure work of a night, in whatever process: take a bundle of logs, assess a vehicle. Nothing here
writes to the catalogue, everything may be done twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.assess.assess import Assessed, Work, assess
from herdbook.pipeline.errors import DamagedPartError, StoreError
from herdbook.pipeline.intake.outcome import Outcome
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.night.scan import in_words, taken_or_lost
from herdbook.pipeline.night.workers import Crew, Done, WorkerLost
from herdbook.pipeline.store.store import Store

LEAST_MB = 1.0  # a smaller bundle costs more as a task than it gains by being shared


@dataclass(frozen=True, slots=True)
class Hands:
    """How many processes a machine gives to the work, and the limits of each. Picklable: the crew itself is
    made where it is first needed, one for all threads of a process."""

    processes: int
    time_s: float
    memory_mb: float

    def crew(self) -> Crew:
        if self not in _CREWS:
            _CREWS[self] = Crew(self.processes, self.time_s, self.memory_mb)
        return _CREWS[self]


_CREWS: dict[Hands, Crew] = {}


def dismiss() -> None:
    """End the crews of this process."""
    while _CREWS:
        _CREWS.popitem()[1].close()


def bundles(paths: Sequence[Path], size_mb: float, workers: int, most: int = 200) -> list[list[Path]]:
    """Logs in order, small ones together up to size_mb, so that what a task costs is spread over many; but at least
    two bundles for each worker when there is enough to share, so that none waits for another's."""
    sizes = [_size_mb(path) for path in paths]
    size_mb = min(size_mb, max(LEAST_MB, sum(sizes) / (2 * workers)))
    out: list[list[Path]] = []
    held = 0.0
    for path, size in zip(paths, sizes, strict=True):
        if not out or held + size > size_mb or len(out[-1]) >= most:
            out.append([])
            held = 0.0
        out[-1].append(path)
        held += size
    return out


def _size_mb(path: Path) -> float:
    try:
        return path.stat().st_size / 1e6
    except OSError:
        return 0.0  # gone meanwhile: taking it will say so


def take_bundle(store: Store, paths: Sequence[Path], hands: Hands) -> list[Outcome]:
    """Take logs one by one; one that breaks its worker goes to quarantine, the others go on.

    Raises: StoreError, when the store itself cannot go on.
    """
    return [_take_safely(store, path, hands) for path in paths]


def _take_safely(store: Store, path: Path, hands: Hands) -> Outcome:
    try:
        return hands.crew().call(take_log, path, store)
    except WorkerLost as lost:
        return taken_or_lost(Done(path, error=lost))


@dataclass(frozen=True, slots=True)
class Seen:
    """A vehicle after its assessment: what is to be committed, or why it could not be assessed."""

    vehicle: str
    assessed: Assessed | None = None
    problem: str = ""


def assess_safely(store: Store, work: Work, hands: Hands) -> Seen:
    """A vehicle that cannot be assessed stays marked for the next night; it never stops the others.

    Raises: StoreError, when the store itself cannot go on.
    """
    try:
        return Seen(work.vehicle, hands.crew().call(assess, store, work))
    except DamagedPartError as error:
        return Seen(work.vehicle, problem=str(error))
    except StoreError:
        raise
    except Exception as error:
        return Seen(work.vehicle, problem=in_words(error))
