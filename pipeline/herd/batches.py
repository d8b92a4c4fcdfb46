"""Is it the batch? One batch held against all others of its kind: a rate of what happened, within sites and zones.

Comparing within strata keeps apart who rides where from what is built how: a batch that went mostly to the steep routes
is not blamed for the hills. Where batch and site are one and the same, nothing can tell them apart, and that is said.
All comparisons together are held to one false discovery rate (Benjamini and Yekutieli: however they hang together).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from herdbook.pipeline.science.strata import Ratio, exact_rate_ratio, false_discovery, rate_ratio

FEWEST_MEMBERS = 5  # in the batch and among the others: engineering choice
FEWEST_HIT = 3  # in all: engineering choice; two may have one cause that is not the batch
SURE = 0.05  # of what is called a difference, so much may be none


@dataclass(frozen=True, slots=True)
class Member:
    """One vehicle, or one part's life. stratum: zone and site. watched: how long, in the unit of the question. hit:
    whether what is asked about happened to it."""

    batch: str
    stratum: tuple[str, str]
    watched: float
    hit: bool


@dataclass(frozen=True, slots=True)
class Tally:
    """hit: how many of the members; watched: all of them together."""

    hit: int
    members: int
    watched: float


@dataclass(frozen=True, slots=True)
class BatchRate:
    """about: the rule or the kind of part. among: the type of vehicles, "" for parts. crude: over all. ratio: within
    strata, or None where none holds both. strata: how many hold both. adjusted: its p among all comparisons, 1 where it
    was not compared."""

    about: str
    among: str
    batch: str
    own: Tally
    others: Tally
    crude: Ratio
    ratio: Ratio | None
    strata: int
    adjusted: float = 1.0

    @property
    def differs(self) -> bool:
        return self.ratio is not None and self.adjusted <= SURE

    @property
    def words(self) -> str:
        if self.ratio is None:
            return "no site or zone has this and another batch: batch and use cannot be told apart"
        if self.differs:
            return "differs from the others within sites and zones"
        if self.crude.p <= SURE < self.ratio.p:
            return "differs over all, not within sites and zones: who rides where may explain it"
        return "no more than chance may give"


def too_small(members: Sequence[Member], batch: str, kind: str) -> str:
    """Why a batch of this kind is not compared, a sentence; "" where it is."""
    own = sum(m.batch == batch for m in members)
    if min(own, len(members) - own) >= FEWEST_MEMBERS:
        return ""
    return f"Too small to compare: {kind}, batch {batch}, of {own} beside {len(members) - own} of other batches"


def held_against_others(members: Sequence[Member], batch: str, *, about: str, among: str = "") -> BatchRate | None:
    """The batch against all other members; None where too little happened to either."""
    if sum(m.hit for m in members) < FEWEST_HIT:
        return None
    own, others = ([m for m in members if (m.batch == batch) is of_it] for of_it in (True, False))
    one, rest = _tally(own), _tally(others)
    cells = np.array(
        [
            [value for side in (own, others) for value in _rate([m for m in side if m.stratum == stratum])]
            for stratum in sorted({m.stratum for m in members})
        ]
    )
    return BatchRate(
        about=about,
        among=among,
        batch=batch,
        own=one,
        others=rest,
        crude=exact_rate_ratio(one.hit, one.watched, rest.hit, rest.watched),
        ratio=rate_ratio(*cells.T),
        strata=int(((cells[:, 1] > 0) & (cells[:, 3] > 0)).sum()),
    )


def all_together(found: Sequence[BatchRate]) -> list[BatchRate]:
    """With the p that each has among all of them, the most surprising first."""
    adjusted = false_discovery(np.array([r.ratio.p if r.ratio else 1.0 for r in found]), dependent=True)
    told = [replace(r, adjusted=float(p)) for r, p in zip(found, adjusted, strict=True)]
    return sorted(told, key=lambda r: (r.adjusted, r.crude.p, r.about, r.batch))


def _tally(members: Sequence[Member]) -> Tally:
    return Tally(sum(m.hit for m in members), len(members), float(sum(m.watched for m in members)))


def _rate(members: Sequence[Member]) -> tuple[float, float]:
    tally = _tally(members)
    return float(tally.hit), tally.watched
