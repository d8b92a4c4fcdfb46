"""Does a batch depart from the others? Told once, in the night in which it is sure enough.

Every figure of a vehicle counts once a night, as the mean of its newest DAYS; a batch is held against all other batches
of its type within sites. As this is asked every night, of every batch and figure, a chance is made larger by how many
comparisons there are, by every look since FEWEST vehicles were known (science/looks.py), and by how often DAYS fit into
the record: the false alarms of a herd's whole life are held to SURE, however neighbours in time hang together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.health.herd_figures import FIGURES, Figure
from herdbook.pipeline.health.sentences import SIGNS
from herdbook.pipeline.science.adjusted import POWER, AdjustedDifference, difference, dummies
from herdbook.pipeline.science.before_after import two_sided
from herdbook.pipeline.science.looks import MEAN, over_nights
from herdbook.pipeline.store.statements import Row, ask, statement

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

DAYS = 180.0  # engineering choice: half a year, so that one odd month does not make a batch
FEWEST, LEAST = 5, 3  # vehicles on a side; sessions of each (engineering choices)
SURE = 0.01  # engineering choice: one herd in a hundred is told of a batch that is like the others


@dataclass(frozen=True, slots=True)
class Departure:
    """chance: of an alarm as sure as this in the whole life of a herd in which no batch differs, at most."""

    figure: Figure
    profile: str
    batch: str
    vehicles: int
    others: int
    found: AdjustedDifference
    chance: float

    @property
    def key(self) -> str:
        """By which it is known again in later nights."""
        way = "lower" if self.found.value < 0 else "higher"
        return f"batch {self.batch} of {self.profile} departs from the others: {self.figure.words} {way} by "

    @property
    def words(self) -> str:
        low, high = sorted((abs(self.found.low), abs(self.found.high)))
        unit = SIGNS.get(self.figure.unit, "" if self.figure.unit == "1" else self.figure.unit)
        size = f"{abs(self.found.value):.3g} {unit}".rstrip()
        return (
            f"{self.key}{size} ({low:.3g} to {high:.3g}), {self.vehicles} vehicles against {self.others}, "
            "within sites. herdbook herd factors looks closer"
        )


def departures(by_figure: Mapping[str, Sequence[Row]]) -> list[Departure]:
    """What tonight's values say, the surest first. by_figure: rows as sql/batch_figures.sql gives them."""
    found: list[tuple[Figure, str, str, int, int, float, AdjustedDifference]] = []
    for figure in FIGURES:
        rows = by_figure.get(figure.name, ())
        for profile in sorted({row["profile"] for row in rows}):
            own = [row for row in rows if row["profile"] == profile]
            found += _of_type(figure, profile, own)
    out = []
    for figure, profile, batch, many, others, windows, one in found:
        looks = over_nights(_careful_p(one, min(many, others)), many, FEWEST, MEAN)
        chance = min(1.0, looks * windows * len(found))
        if chance <= SURE:
            out.append(Departure(figure, profile, batch, many, others, one, chance))
    return sorted(out, key=lambda d: d.chance)


def _careful_p(found: AdjustedDifference, fewest: int) -> float:
    """Against Student's t of the smaller side alone: so far out, few vehicles do not tell their spread well enough."""
    if found.least <= 0:
        return max(found.p, 1e-300)
    return max(two_sided(found.value * POWER / found.least, fewest - 1.0), 1e-300)


def _of_type(
    figure: Figure, profile: str, own: Sequence[Row]
) -> list[tuple[Figure, str, str, int, int, float, AdjustedDifference]]:
    y = np.array([row["value"] for row in own])
    sites = dummies([row["site"] for row in own])
    out = []
    batches = sorted({row["batch"] for row in own})
    for batch in batches:
        group = np.array([row["batch"] == batch for row in own])
        many, others = int(group.sum()), int((~group).sum())
        if min(many, others) < FEWEST:
            continue
        one = difference(y, group, sites)
        worse = one is not None and (one.value < 0) == figure.falls
        if one is not None and (worse or len(batches) > 2):  # of two, the worse one is named
            out.append((figure, profile, batch, many, others, float(own[0]["windows"]), one))
    return out


def tell_departures(con: DuckDBPyConnection, scan: str) -> list[str]:
    """Write down, for the change list of `scan`, what was not told before; what is new, a sentence each.

    Inside the caller's transaction; safe to repeat."""
    if con.execute(statement(__name__, "batches_named")).fetchall()[0][0] < 2 * FEWEST:
        return []
    given = {"days": DAYS, "least": LEAST}
    rows = {f.name: ask(con, __name__, "batch_figures", figure=f.metric, falls=f.falls, **given) for f in FIGURES}
    told = [note for (note,) in con.execute("SELECT note FROM night_notes").fetchall()]
    fresh = [d for d in departures(rows) if not any(note.startswith(d.key) for note in told)]
    for d in fresh:
        con.execute("INSERT INTO night_notes VALUES (?, ?)", [scan, d.words])
    return [d.words for d in fresh]
