"""How long parts live, by the service book: each fitting begins a life, a removal ends it, what sits still lives on.

A life counts in days under watch, or on a clock of the record (clocks.py): kilometres, cycles, hours that age. What was
in the vehicle before the book began is not known to it and is no life; a swap begins a new one. A removal said to be of
a sound part ends the watch, not the life.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Removed
from herdbook.pipeline.book.parts import Stay, stays
from herdbook.pipeline.herd.clocks import DAYS, Used, used
from herdbook.pipeline.science import poisson
from herdbook.pipeline.science.survival import Lives, LogRank, SurvivalCurve, Weibull, curve, log_rank, weibull

if TYPE_CHECKING:
    import duckdb

AHEAD = timedelta(days=90)
FEWEST = 3  # failures for a Weibull life: engineering choice; with two the interval spans decades


@dataclass(frozen=True, slots=True)
class GroupLife:
    """Lives of one group of parts (batch, supplier, or all). unsaid: removals of which nobody said whether the part had
    failed; they count as failed. fit: None where too few failed. ahead: failures expected within 90 days, with the ends
    of their 95 % interval (chance alone, with the likeliest Weibull life), or None."""

    group: str
    lives: Lives
    parts: int
    unsaid: int
    curve: SurvivalCurve
    fit: Weibull | None
    ahead: tuple[float, int, int] | None

    @property
    def failures(self) -> int:
        return int(np.sum(self.lives.failed))

    @property
    def watched(self) -> float:
        """Of all lives together, in their unit."""
        return float(np.sum(self.lives.exit - self.lives.entry))


@dataclass(frozen=True, slots=True)
class PartLife:
    """All groups, and each against all others together (None where that cannot be told). left_out: lives without a day,
    or a kilometre on record."""

    part: str
    unit: str
    until: datetime
    groups: tuple[GroupLife, ...]
    against: tuple[LogRank | None, ...]
    left_out: int


def part_life(
    con: duckdb.DuckDBPyConnection, part: str, *, by: str = "", unit: str = DAYS, until: datetime
) -> PartLife | None:
    """Lives of every part of a kind ("pack", "motor": left and right alike). by: "batch", "supplier" or "" for all as
    one. until: naive UTC, to which what sits still is known to live. None when the book has none."""
    entries = book.entered(con)
    seen = {e.vehicle: e.from_t for e in entries if e.holds and e.kind == "scrapped"}
    of_kind = [s for s in stays(entries) if s.part == part or s.part.split()[0] == part]
    if not of_kind:
        return None
    use = used(con, unit)
    by_group: dict[str, list[Stay]] = {}
    for stay in of_kind:
        by_group.setdefault(str(getattr(stay, by)) or "not said" if by else "all", []).append(stay)
    groups = [_group(name, own, seen, use, unit, until) for name, own in sorted(by_group.items())]
    known = [g for g in groups if g is not None]
    if not known:
        return None
    against = [_against(g, [o for o in known if o is not g]) for g in known]
    left_out = len(of_kind) - sum(len(g.lives.exit) for g in known)
    return PartLife(part, unit, until, tuple(known), tuple(against), left_out)


def _against(one: GroupLife, others: Sequence[GroupLife]) -> LogRank | None:
    if not others:
        return None
    parts = [o.lives for o in others]
    rest = Lives(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("entry", "exit", "failed")))
    return log_rank(one.lives, rest)


def _group(
    name: str,
    own: Sequence[Stay],
    scrapped: Mapping[str, datetime],
    use: Mapping[str, Used],
    unit: str,
    until: datetime,
) -> GroupLife | None:
    ends, failed, unsaid = [], [], 0
    for stay in own:
        end = stay.to_t or min(until, scrapped.get(stay.vehicle, until))
        ends.append(_length(stay, end, use.get(stay.vehicle), unit))
        failed.append(stay.to_t is not None and stay.outcome != Removed.SOUND)
        unsaid += stay.to_t is not None and not stay.outcome
    length, over = np.array(ends, dtype=float), np.array(failed, dtype=bool)
    kept = length > 0
    if not kept.any():
        return None
    lives = Lives(np.zeros(int(kept.sum())), length[kept], over[kept])
    fit = weibull(lives) if int(lives.failed.sum()) >= FEWEST else None
    ahead = _ahead(fit, lives) if fit is not None and unit == DAYS else None
    return GroupLife(name, lives, len({s.serial for s in own}), unsaid, curve(lives), fit, ahead)


def _length(stay: Stay, end: datetime, of: Used | None, unit: str) -> float:
    if unit == DAYS:
        return (end - stay.from_t) / timedelta(days=1)
    return of.before(end.date()) - of.before(stay.from_t.date()) if of else 0.0


def _ahead(fit: Weibull, lives: Lives) -> tuple[float, int, int] | None:
    """Of what lives now, failures within the next 90 days."""
    ages = lives.exit[~lives.failed]
    expected = float(sum(1 - fit.survival(age + AHEAD / timedelta(days=1), given=age) for age in ages))
    if not isfinite(expected):
        return None
    low = max((k for k in range(int(expected) + 1) if poisson.tail(k, expected) >= 0.975), default=0)
    high = next(k for k in range(int(expected), int(expected) + 1000) if poisson.tail(k + 1, expected) <= 0.025)
    return expected, low, min(high, len(ages))
