"""What every product says about a severity: terminal, message, fleet page, dossier, history and exit code.

One place, so that a vehicle which must not be ridden on one page cannot be ridden by another. A rule tells what was
recorded and what to measure; whether to ride or charge is said here, by severity alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from herdbook.pipeline.health.severity import Severity, rank


@dataclass(frozen=True, slots=True)
class Voice:
    """label: the word on a mark. heading: over a list of such vehicles. order: the sentence that tells what to do.
    exit_code: of a night in which such a finding is new or worse."""

    label: str
    heading: str
    order: str
    exit_code: int


VOICES = {
    Severity.STOP_USE: Voice(
        label="Stop use",
        heading="Must not be used",
        order="Do not ride or charge until a qualified person has inspected the vehicle.",
        exit_code=20,
    ),
    Severity.SERVICE: Voice(
        label="Service",
        heading="Needs service",
        order="Have it looked at. Stop riding at once if the brakes, the drive or the pack behave differently.",
        exit_code=10,
    ),
    Severity.NOTE: Voice(label="Note", heading="Worth knowing", order="Nothing to do now.", exit_code=0),
}


def order_of(severity: str) -> str:
    """What to do, in one sentence. Raises: ValueError for a word that is no severity."""
    return VOICES[Severity(severity)].order


def gravest(severities: Iterable[str]) -> Severity | None:
    """The gravest of some severities; None when there is none."""
    return max((Severity(s) for s in severities), key=rank, default=None)
