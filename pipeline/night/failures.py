"""What becomes of a log or vehicle that could not be dealt with: it fails alone, with the reason, or stops the scan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.assess.assess import Assessed
from herdbook.pipeline.errors import DamagedPartError, HerdbookError, StoreError
from herdbook.pipeline.intake.inbox import stamp_of
from herdbook.pipeline.intake.outcome import LogFile, QuarantinedLog
from herdbook.pipeline.night.workers import WorkerLost

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
class VehicleOutcome:
    """A vehicle after its assessment: what is to be committed, or why it could not be assessed."""

    vehicle: str
    assessed: Assessed | None = None
    problem: str = ""


def not_assessed(vehicle: str, error: BaseException) -> VehicleOutcome:
    """The vehicle stays marked for the next scan; the others go on. Raises: StoreError, when the store cannot."""
    if isinstance(error, StoreError) and not isinstance(error, DamagedPartError):
        raise error
    known = isinstance(error, HerdbookError | WorkerLost)
    return VehicleOutcome(vehicle, problem=str(error) if known else f"{type(error).__name__}: {error}")
