"""Rules judged by what people found: how often each was right on this fleet, and what came without a finding before.

An inspection that names a finding's rule says confirmed or refuted; a repair that names it counts as confirmed.
Precision is the share confirmed of those decided, with Clopper and Pearson's exact 95 % interval. What nobody inspected
says nothing, and those that are inspected are seldom drawn by lot: whoever shows it says so.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median
from typing import TYPE_CHECKING

from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Entry, Kind, Outcome
from herdbook.pipeline.science.binomial import lower_share
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

BEFORE = timedelta(days=365)  # engineering choice: a finding older than a year is no warning of a complaint


@dataclass(frozen=True, slots=True)
class RuleOutcome:
    """told: findings that scans ever told. open: of these, neither confirmed nor refuted. low, high: exact 95 % ends
    of the share confirmed. warned: days from the first telling to the first complaint about it."""

    rule: str
    told: int
    confirmed: int
    refuted: int
    open: int
    low: float
    high: float
    warned: tuple[float, ...]

    @property
    def precision(self) -> float | None:
        decided = self.confirmed + self.refuted
        return self.confirmed / decided if decided else None

    @property
    def median_warning(self) -> float | None:
        return median(self.warned) if self.warned else None


@dataclass(frozen=True, slots=True)
class Complaints:
    """complaints: that hold, of vehicles with logs. unforeseen: of these, without a service or stop-use finding told in
    the year before it. without_log: those of vehicles that never left a log, which nothing could have foreseen."""

    complaints: int
    unforeseen: tuple[Entry, ...]
    without_log: int = 0


def outcomes(con: duckdb.DuckDBPyConnection) -> tuple[list[RuleOutcome], Complaints]:
    """Every rule that ever told anything, the most refuted first."""
    told = ask(con, __name__, "told_ever")
    entries = [e for e in book.entered(con) if e.holds]
    rules = sorted({row["rule"] for row in told})
    found = [_rule(rule, [row for row in told if row["rule"] == rule], entries) for rule in rules]
    found.sort(key=lambda r: (-r.refuted, -r.confirmed, -r.told, r.rule))
    logged = {vehicle for (vehicle,) in con.execute("SELECT vehicle FROM vehicles").fetchall()}
    return found, complaints(entries, told, logged)


def _rule(rule: str, told: Sequence[Row], entries: Sequence[Entry]) -> RuleOutcome:
    confirmed = refuted = 0
    warned = []
    for row in told:
        about = [e for e in entries if _about(e, row["vehicle"], row["rule"], row["item"])]
        last = last_word(about, row["vehicle"], row["rule"], row["item"])
        confirmed += last == Outcome.CONFIRMED
        refuted += last == Outcome.REFUTED
        complaint = [e.from_t for e in about if e.kind == Kind.COMPLAINT and e.from_t > row["first_told_t"]]
        warned += [(min(complaint) - row["first_told_t"]) / timedelta(days=1)] if complaint else []
    decided = confirmed + refuted
    low = lower_share(confirmed, decided, 0.975) if decided else 0.0
    high = 1 - lower_share(refuted, decided, 0.975) if decided else 1.0
    return RuleOutcome(rule, len(told), confirmed, refuted, len(told) - decided, low, high, tuple(warned))


def last_word(entries: Sequence[Entry], vehicle: str, rule: str, item: str) -> str:
    """What people last found of a finding: confirmed, refuted, or "" while nobody decided. entries: in order of time,
    those that hold."""
    about = (e for e in reversed(entries) if _about(e, vehicle, rule, item))
    return next((said for e in about if (said := _said(e))), "")


def _about(entry: Entry, vehicle: str, rule: str, item: str) -> bool:
    return (entry.vehicle, entry.rule) == (vehicle, rule) and entry.item in ("", item)


def _said(entry: Entry) -> str:
    """confirmed, refuted, or "" for an entry that decides nothing."""
    if entry.kind == Kind.REPAIR:
        return Outcome.CONFIRMED
    return entry.outcome if entry.kind == Kind.INSPECTION and entry.outcome != Outcome.UNDECIDED else ""


def complaints(entries: Sequence[Entry], told: Sequence[Row], logged: Collection[str]) -> Complaints:
    """Which complaints no finding preceded. told: as told_ever.sql has them. logged: vehicles with a log."""
    every = [e for e in entries if e.kind == Kind.COMPLAINT]
    said = [e for e in every if e.vehicle in logged]
    grave = [row for row in told if row["severity"] != "note"]
    unforeseen = tuple(e for e in said if not any(_foresaw(row, e) for row in grave))
    return Complaints(len(said), unforeseen, len(every) - len(said))


def _foresaw(row: Row, complaint: Entry) -> bool:
    """Whether evidence of a finding was recorded before the complaint, and not longer than a year before it."""
    t: datetime = row["evidence_t"] or row["first_told_t"]
    return row["vehicle"] == complaint.vehicle and complaint.to_t - BEFORE <= t < complaint.to_t
