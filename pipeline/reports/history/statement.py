"""The lines of a history: what was recorded, dated, in neutral words, each with what it rests on.

Language: "recorded", "not covered", "not known". No line names a cause, a person or anybody's fault; causes
and bench checks belong to the dossier, the decision to people.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from herdbook.pipeline.reports.facts import Facts

SECTIONS = {
    "short": "In short",
    "identity": "Identity",
    "parts": "Parts and versions over time",
    "use": "Use on record",
    "limits": "Stated limits",
    "birth": "At birth and now",  # only where a test is on record
    "capacity": "Capacity of the pack",
    "events": "What was recorded out of the ordinary",
    "book": "What people entered",
    "herd": "Beside others of its type",
    "unknown": "What is not known",
    "open": "What would change these statements",
    "advice": "Safety, return, sending on, deciding",
}


@dataclass(frozen=True, slots=True)
class Source:
    """Rows of the published catalogue that a statement was made from: those of its vehicle in a table, whose columns
    have one of these values. It stands in no file; who looks a line up is led to it."""

    table: str
    where: Mapping[str, tuple[object, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement. topic: a word or two in front of it. logs: SHA-256 of the logs it rests on.

    basis: "recorded" (read from a log), "computed" (from recorded values), "stated" (entered by somebody, in a
    sidecar, a profile or for this file), "advice" (what to do, with its source), or "not known".
    """

    section: str
    text: str
    basis: str
    start: datetime | None = None
    end: datetime | None = None
    severity: str = ""
    value: float | None = None
    unit: str = ""
    se: float | None = None
    coverage: float | None = None
    logs: tuple[str, ...] = ()
    rule: str = ""
    rule_set: str = ""
    topic: str = ""
    source: Source | None = None


def logs_between(facts: Facts, start: datetime, end: datetime) -> tuple[str, ...]:
    return tuple(log["log"] for log in facts.logs if log["start_t"] <= end and log["end_t"] >= start)
