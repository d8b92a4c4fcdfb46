"""One cause or many: do the vehicles that have a finding share a firmware, a batch or a profile beyond chance?

Of the herd's N vehicles whose trait is known, M have this value. If the n vehicles with the finding were drawn from
them at random, k or more of them would have it with the probability that the hypergeometric distribution gives
(Fisher's exact test, one-sided). As many values are tried, it is held against SURE over their number (Bonferroni).
Sharing is no proof of a cause: a firmware often comes with a batch, and both are then named.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from math import exp, fsum, lgamma
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb

LEAST = 3  # vehicles: two that are alike prove nothing; engineering choice
MOST_SHARE = 0.5  # of the vehicles concerned must have it, to be called one cause; engineering choice
SURE = 0.01
MOST_NAMED = 3  # values named for one group, the least likely by chance first

Trait = tuple[str, str]  # "batch", "B-07"


@dataclass(frozen=True, slots=True)
class Shared:
    """with_it of concerned vehicles have trait = value, as have herd_with of herd. chance: of that many or more, if
    drawn at random. since: when it was first seen on those vehicles, first and last of them (None: not dated)."""

    about: str
    trait: str
    value: str
    concerned: int
    with_it: int
    herd_with: int
    herd: int
    chance: float
    since: tuple[datetime, datetime] | None = None

    @property
    def words(self) -> str:
        seen = ""
        if self.since:
            first, last = (f"{t:%Y-%m-%d}" for t in self.since)
            seen = f", first seen on them {'on ' + first if first == last else f'from {first} to {last}'}"
        return (
            f"{self.with_it} of {self.concerned} vehicles have {self.trait} {self.value}{seen}; in the whole herd "
            f"{self.herd_with} of {self.herd}. By chance alone: {_odds(self.chance)}."
        )


@dataclass(frozen=True, slots=True)
class Traits:
    """who: the vehicles of each (trait, value). known: how many vehicles have each trait at all. since: when a vehicle
    first showed it."""

    who: Mapping[Trait, frozenset[str]]
    known: Mapping[str, frozenset[str]]
    since: Mapping[tuple[str, Trait], datetime]


def traits(con: duckdb.DuckDBPyConnection) -> Traits:
    """Batch, profile and the newest firmware and hardware of every vehicle."""
    who: defaultdict[Trait, set[str]] = defaultdict(set)
    known: defaultdict[str, set[str]] = defaultdict(set)
    since = {}
    for row in ask(con, __name__, "traits"):
        key = (row["trait"], row["value"])
        who[key].add(row["vehicle"])
        known[row["trait"]].add(row["vehicle"])
        if row["since_t"] is not None:
            since[row["vehicle"], key] = row["since_t"]
    return Traits({k: frozenset(v) for k, v in who.items()}, {k: frozenset(v) for k, v in known.items()}, since)


def shared(about: str, vehicles: Iterable[str], of: Traits) -> list[Shared]:
    """What a group of vehicles shares beyond chance, the most telling first; empty when nothing is."""
    group = frozenset(vehicles)
    found = []
    tried = [(key, who) for key, who in of.who.items() if LEAST <= len(who) < len(of.known[key[0]])]
    for key, who in tried:
        concerned, with_it, herd = group & of.known[key[0]], group & who, of.known[key[0]]
        if len(with_it) < LEAST or len(with_it) < MOST_SHARE * len(concerned):
            continue
        chance = tail(len(with_it), len(herd), len(who), len(concerned))
        if chance * len(tried) > SURE:
            continue
        dates = sorted(t for v in with_it if (t := of.since.get((v, key))))
        span = (dates[0], dates[-1]) if dates else None
        found.append(
            Shared(
                about=about,
                trait=key[0],
                value=key[1],
                concerned=len(concerned),
                with_it=len(with_it),
                herd_with=len(who),
                herd=len(herd),
                chance=chance,
                since=span,
            )
        )
    return sorted(found, key=lambda s: (s.chance, s.trait))[:MOST_NAMED]


def tail(k: int, herd: int, marked: int, drawn: int) -> float:
    """Probability of k or more marked ones among `drawn` out of a herd: the hypergeometric distribution's tail."""
    every = _choose(herd, drawn)
    ways = range(max(k, drawn - (herd - marked)), min(marked, drawn) + 1)
    return min(1.0, fsum(exp(_choose(marked, i) + _choose(herd - marked, drawn - i) - every) for i in ways))


def _choose(n: int, k: int) -> float:
    """Logarithm of the binomial coefficient n over k."""
    return lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1)


def of_groups(groups: Mapping[str, Iterable[str]], of: Traits) -> list[Shared]:
    """The same for several groups of vehicles, by what they are about."""
    return [s for about, vehicles in groups.items() for s in shared(about, vehicles, of)]


def _odds(chance: float) -> str:
    return f"1 in {round(1 / chance):,}".replace(",", "\u202f") if chance > 1e-9 else "under 1 in a billion"
