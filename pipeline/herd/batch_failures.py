"""Is it the batch of a part? Failures by the service book, each batch against all others of its kind, within routes.

The rate is that of failures by the days that parts were watched. Sites and zones (who rides where) are strata, as for
findings (herd/batches.py): a batch that went mostly to the steep routes is not blamed for the hills. All comparisons
together are held to one false discovery rate (Benjamini and Yekutieli).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Removed
from herdbook.pipeline.book.parts import Stay, stays
from herdbook.pipeline.science.strata import Ratio, exact_rate_ratio, false_discovery, rate_ratio
from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb

FEWEST_PARTS = 5  # in the batch and among the others: engineering choice
FEWEST_FAILED = 3  # in all: with fewer no ratio can be surprising
SURE = 0.05
Stratum = tuple[str, str]  # zone, site


@dataclass(frozen=True, slots=True)
class Watched:
    """One part's life in one vehicle."""

    batch: str
    stratum: Stratum
    days: float
    failed: bool


@dataclass(frozen=True, slots=True)
class BatchFailures:
    """failed, parts, days: of the batch; other_*: of all other batches of the kind. ratio: within strata, or None where
    none holds both. crude: over all. adjusted: its p among all comparisons, 1 where it was not compared. strata: how
    many hold both."""

    part: str
    batch: str
    failed: int
    parts: int
    days: float
    other_failed: int
    other_parts: int
    other_days: float
    crude: Ratio
    ratio: Ratio | None
    strata: int
    adjusted: float

    @property
    def differs(self) -> bool:
        return self.ratio is not None and self.adjusted <= SURE

    @property
    def words(self) -> str:
        if self.ratio is None:
            return "no route has parts of this and of another batch: batch and route cannot be told apart"
        if self.differs:
            return "differs from the others on the same routes"
        if self.crude.p <= SURE < self.ratio.p:
            return "not the batch, once the route is counted: it differs only because of who rides where"
        return "no more than chance may give"


def batch_failures(con: duckdb.DuckDBPyConnection, until: datetime) -> tuple[list[BatchFailures], list[str]]:
    """Comparisons, the most surprising first; and what was not compared and why, a sentence each. until: naive UTC, to
    which what sits still is known to live."""
    entries = book.entered(con)
    scrapped = {e.vehicle: e.from_t for e in entries if e.holds and e.kind == "scrapped"}
    where = {row["vehicle"]: (row["zone"], row["site"]) for row in ask(con, __name__, "vehicle_facts")}
    of_kind: dict[str, list[Watched]] = {}
    for stay in stays(entries):
        end = stay.to_t or min(until, scrapped.get(stay.vehicle, until))
        days = (end - stay.from_t) / timedelta(days=1)
        if stay.batch and days > 0:
            of_kind.setdefault(stay.part.split()[0], []).append(_watched(stay, where.get(stay.vehicle, ("", "")), days))
    found, left_out = [], []
    for part, lives in sorted(of_kind.items()):
        for batch in sorted({life.batch for life in lives}):
            one = [life for life in lives if life.batch == batch]
            rest = [life for life in lives if life.batch != batch]
            if len(one) < FEWEST_PARTS or len(rest) < FEWEST_PARTS:
                if rest:
                    left_out.append(
                        f"Too small to compare: {part}, batch {batch}, of {len(one)} beside {len(rest)} others"
                    )
            elif sum(life.failed for life in lives) >= FEWEST_FAILED:
                found.append(_compared(part, batch, one, rest))
    adjusted = false_discovery(np.array([f.ratio.p if f.ratio else 1.0 for f in found]), dependent=True)
    told = list(_with(found, adjusted.tolist()))
    return sorted(told, key=lambda f: (f.adjusted, f.crude.p, f.part, f.batch)), left_out


def _watched(stay: Stay, stratum: Stratum, days: float) -> Watched:
    return Watched(stay.batch, stratum, days, stay.to_t is not None and stay.outcome != Removed.SOUND)


def _compared(part: str, batch: str, one: Sequence[Watched], rest: Sequence[Watched]) -> BatchFailures:
    strata = sorted({life.stratum for life in (*one, *rest)})
    cells = np.array([[(*_sum(one, s), *_sum(rest, s))] for s in strata], dtype=float).reshape(-1, 4)
    failed, days, other_failed, other_days = cells.sum(axis=0)
    return BatchFailures(
        part=part,
        batch=batch,
        failed=int(failed),
        parts=len(one),
        days=float(days),
        other_failed=int(other_failed),
        other_parts=len(rest),
        other_days=float(other_days),
        crude=exact_rate_ratio(int(failed), float(days), int(other_failed), float(other_days)),
        ratio=rate_ratio(*cells.T),
        strata=int(((cells[:, 1] > 0) & (cells[:, 3] > 0)).sum()),
        adjusted=1.0,
    )


def _sum(lives: Sequence[Watched], stratum: Stratum) -> tuple[int, float]:
    inside = [life for life in lives if life.stratum == stratum]
    return sum(life.failed for life in inside), sum(life.days for life in inside)


def _with(found: Sequence[BatchFailures], adjusted: Sequence[float]) -> Iterator[BatchFailures]:
    for one, p in zip(found, adjusted, strict=True):
        yield replace(one, adjusted=float(p))
