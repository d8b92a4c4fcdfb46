"""Two sides compared figure by figure: a vehicle before and after a moment, or two vehicles.

A side's level is the mean over its sessions of one kind, with the scatter between sessions in its error
(science/two_levels.py). What a figure says of the vehicle is compared; what it says of its use (hours, distance, charge
through) stands beside it and is not. All comparisons together are held to one false discovery rate (Benjamini and
Yekutieli: however they hang together); figures that somebody asked about beforehand are a family of their own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.herd.use_figures import tells_use
from herdbook.pipeline.science.strata import false_discovery
from herdbook.pipeline.science.two_levels import LevelDifference, difference, more_needed
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

SURE = 0.05
Key = tuple[str, str, str]  # kind of session, name, item
Asked = Callable[[str, str], bool]  # name, item


@dataclass(frozen=True, slots=True)
class Side:
    """Sessions of a vehicle that begin in [from_t, to_t), naive UTC; None: open."""

    vehicle: str
    title: str
    from_t: datetime | None = None
    to_t: datetime | None = None

    @property
    def given(self) -> dict[str, object]:
        return {"vehicle": self.vehicle, "from_t": self.from_t, "to_t": self.to_t}


@dataclass(frozen=True, slots=True)
class Readings:
    """One figure's sessions on one side, in order of time. errors: own standard errors, all NaN where not all known."""

    t: tuple[datetime, ...]
    values: Floats
    errors: Floats


@dataclass(frozen=True, slots=True)
class Compared:
    """One figure on both sides. asked: it was asked about beforehand. difference: None where nothing tells the scatter.
    adjusted: its p among all of its family. more: further sessions on the second side that would make it sure among all
    of its family, or None."""

    kind: str
    name: str
    item: str
    unit: str
    first: Readings
    second: Readings
    asked: bool
    difference: LevelDifference | None
    adjusted: float = 1.0
    more: int | None = None

    @property
    def differs(self) -> bool:
        return self.difference is not None and self.adjusted <= SURE


@dataclass(frozen=True, slots=True)
class Comparison:
    """figures: compared ones, those asked about first, then the most surprising. only: on one side alone: kind, name,
    title of the side. too_few: on both, but in one session each. uses: what the sides had to do, rows by side."""

    sides: tuple[Side, Side]
    figures: tuple[Compared, ...]
    too_few: int
    only: tuple[tuple[str, str, str], ...]
    uses: tuple[tuple[Row, ...], tuple[Row, ...]]

    @property
    def differing(self) -> list[Compared]:
        return [f for f in self.figures if f.differs]

    def empty(self) -> list[Side]:
        """Sides without a session."""
        return [side for side, use in zip(self.sides, self.uses, strict=True) if not use]


def compare(con: duckdb.DuckDBPyConnection, first: Side, second: Side, asked: Asked | None = None) -> Comparison:
    """Every figure of both. asked: whether one was asked about beforehand."""
    read = [_readings(ask(con, __name__, "compared_metrics", **side.given), asked) for side in (first, second)]
    uses = [tuple(ask(con, __name__, "compared_sessions", **side.given)) for side in (first, second)]
    (a, units), (b, more_units) = read
    both = sorted(a.keys() & b.keys())
    found = [_compared(key, (units | more_units)[key], a[key], b[key], asked) for key in both]
    known = [f for f in found if f.difference is not None]
    alone = ((first, a, b), (second, b, a))
    only = sorted({(kind, name, side.title) for side, of, other in alone for kind, name, _ in of.keys() - other.keys()})
    figures = sorted(
        [*_adjusted([f for f in known if f.asked]), *_adjusted([f for f in known if not f.asked])],
        key=lambda f: (not f.asked, f.adjusted, _p(f), f.kind, f.name, f.item),
    )
    return Comparison((first, second), tuple(figures), len(found) - len(known), tuple(only), (uses[0], uses[1]))


def _readings(rows: Sequence[Row], asked: Asked | None) -> tuple[dict[Key, Readings], dict[Key, str]]:
    of: dict[Key, list[Row]] = {}
    for row in rows:
        if not tells_use(row["name"]) or (asked is not None and asked(row["name"], row["item"])):
            of.setdefault((row["kind"], row["name"], row["item"]), []).append(row)
    return {key: _of(some) for key, some in of.items()}, {key: some[0]["unit"] for key, some in of.items()}


def _of(rows: Sequence[Row]) -> Readings:
    errors = np.array([row["se"] if row["se"] else np.nan for row in rows], dtype=float)
    if not np.isfinite(errors).all():
        errors = np.full(errors.size, np.nan)
    return Readings(
        tuple(row["start_t"] for row in rows), np.array([row["value"] for row in rows], dtype=float), errors
    )


def _compared(key: Key, unit: str, a: Readings, b: Readings, asked: Asked | None) -> Compared:
    kind, name, item = key
    found = difference(a.values, a.errors, b.values, b.errors)
    return Compared(kind, name, item, unit, a, b, asked is not None and asked(name, item), found)


def _adjusted(family: Sequence[Compared]) -> list[Compared]:
    """With the adjusted p, and what would make a difference sure among as many comparisons."""
    adjusted = false_discovery(np.array([_p(f) for f in family]), dependent=True)
    level = next_level(len(family), int((adjusted <= SURE).sum()))
    out = []
    for f, p in zip(family, adjusted, strict=True):
        worth = f.asked and p > SURE
        more = more_needed(f.first.values, f.first.errors, f.second.values, f.second.errors, level) if worth else None
        out.append(replace(f, adjusted=float(p), more=more))
    return out


def _p(f: Compared) -> float:
    return f.difference.p if f.difference else 1.0


@dataclass(frozen=True, slots=True)
class Nearest:
    """The figure nearest to a difference of those that nobody asked about and that do not differ. more: further
    sessions of `side` that would make it sure among as many comparisons, if it stays as it is; None: none that one can
    wait for."""

    figure: Compared
    more: int | None
    side: Side


def nearest(found: Comparison, either: bool) -> Nearest | None:
    """either: sessions may be added to either side (two vehicles), else to the second alone (what was, was)."""
    family = [f for f in found.figures if not f.asked]
    level = next_level(len(family), sum(f.differs for f in family))
    for f in family:
        if f.differs or f.difference is None or not f.difference.rise:
            continue
        a, b = (f.first.values, f.first.errors), (f.second.values, f.second.errors)
        counts = [(more_needed(*a, *b, level), found.sides[1])]
        if either:
            counts.append((more_needed(*b, *a, level), found.sides[0]))
        known = [(more, side) for more, side in counts if more is not None]
        more, side = min(known, key=lambda one: one[0]) if known else counts[0]
        return Nearest(f, more, side)
    return None


def next_level(comparisons: int, differing: int) -> float:
    """The p that the next figure needs to differ among so many comparisons (as false_discovery, dependent)."""
    harmonic = sum(1 / k for k in range(1, comparisons + 1))
    return SURE * (differing + 1) / (comparisons * harmonic) if comparisons else SURE
