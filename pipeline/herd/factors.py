"""Is it the batch, the firmware, the site, the season? Every figure, with the other factors, age, use and warmth off.

A vehicle counts once, with the middle of its newest sessions. Batch, firmware and site are each compared, level against
all others of the type, with the two other factors as strata and age, kilometres a day and warmth in one regression. A
season is compared within each vehicle, about its own line in time. All comparisons together are held to one false
discovery rate (Benjamini and Yekutieli: however they hang together).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.herd_figures import FIGURES, Figure
from herdbook.pipeline.science.adjusted import MOST, AdjustedDifference, difference, dummies, shift
from herdbook.pipeline.science.strata import false_discovery
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

FACTORS = ("batch", "firmware", "site")
ABOUT = ("age", "km_a_day", "ageing")
LAST = 10  # sessions (engineering choice)
FEWEST = 5  # vehicles with the level, and without (engineering choice)
KNOWN = 0.8  # of the vehicles must have a covariate that is taken off; the others get its middle
SURE = 0.05
SEASONS = {1: (12, 1, 2), 2: (3, 4, 5), 3: (6, 7, 8), 4: (9, 10, 11)}
SEASON_WORDS = {1: "December to February", 2: "March to May", 3: "June to August", 4: "September to November"}
LEAST_MONTHS = 9  # on record of a vehicle, for its seasons (engineering choice)


@dataclass(frozen=True, slots=True)
class FactorDifference:
    """vehicles: with the level; others: without. crude: over all. within: with the rest taken off, or None where they
    cannot be told apart from `one_with`. adjusted: p among all comparisons."""

    figure: Figure
    profile: str
    factor: str
    level: str
    vehicles: int
    others: int
    crude: AdjustedDifference
    within: AdjustedDifference | None
    one_with: str
    adjusted: float

    @property
    def differs(self) -> bool:
        return self.within is not None and self.adjusted <= SURE

    @property
    def words(self) -> str:
        if self.within is None:
            return f"cannot be told apart from {self.one_with}"
        if self.differs:
            return "differs"
        if self.crude.p <= SURE < self.within.p:
            return "differs over all, not with the rest taken off"
        return "no more than chance may give"


def factor_differences(
    con: duckdb.DuckDBPyConnection, figures: Sequence[Figure] = FIGURES
) -> tuple[list[FactorDifference], list[str]]:
    """Comparisons, the most surprising first; and what was not compared and why, a sentence each."""
    facts: dict[str, dict[str, Row]] = {}
    for row in ask(con, __name__, "use_facts"):
        facts.setdefault(row["profile"], {})[row["vehicle"]] = row
    found: list[FactorDifference] = []
    left_out: list[str] = []
    for profile, herd in sorted(facts.items()):
        left_out += _too_small(profile, herd)
        for figure in figures:
            rows = ask(con, __name__, "newest_values", profile=profile, figure=figure.metric, falls=figure.falls)
            values = {row["vehicle"]: float(np.median(row["values"][:LAST])) for row in rows}
            found += _of_figure(figure, profile, values, herd)
            months = ask(con, __name__, "monthly_values", profile=profile, figure=figure.metric)
            found += _of_seasons(figure, profile, months)
    p = np.array([f.within.p if f.within else 1.0 for f in found])
    told = [replace(f, adjusted=float(a)) for f, a in zip(found, false_discovery(p, dependent=True), strict=True)]
    return sorted(told, key=lambda f: (f.adjusted, f.crude.p, f.figure.name, f.factor, f.level)), left_out


def _too_small(profile: str, herd: Mapping[str, Row]) -> list[str]:
    out = []
    for factor in FACTORS:
        levels = sorted({row[factor] for row in herd.values() if row[factor]})
        small = [level for level in levels if sum(r[factor] == level for r in herd.values()) < FEWEST]
        if small:
            some = ", ".join(small[:5]) + (f" and {len(small) - 5} more" if len(small) > 5 else "")
            out.append(f"Under {FEWEST} vehicles of {profile}, and not compared: {factor} {some}")
        if len(levels) > MOST:
            out.append(f"Of {len(levels)} values of {factor} of {profile}, the {MOST} most frequent are compared")
        if len(levels) < 2:
            out.append(f"{'One' if levels else 'No'} {factor} of {profile} on record: nothing to compare")
    return out


def _of_figure(
    figure: Figure, profile: str, values: Mapping[str, float], herd: Mapping[str, Row]
) -> Iterator[FactorDifference]:
    names = sorted(values)
    if len(names) < 2 * FEWEST:
        return
    y = np.array([values[name] for name in names])
    about = _covariates([herd[name] for name in names])
    level_of = {factor: [str(herd[name][factor]) for name in names] for factor in FACTORS}
    for factor in FACTORS:
        rest = {other: dummies(level_of[other]) for other in FACTORS if other != factor}
        beside = np.concatenate([*rest.values(), about], axis=1)
        levels = _largest(level_of[factor])
        for level in levels[:1] if len(levels) == 2 and all(levels) else levels:  # of two, one says it all
            group = np.array([one == level for one in level_of[factor]])
            if not level or min(int(group.sum()), int((~group).sum())) < FEWEST:
                continue
            crude = difference(y, group, np.empty((y.size, 0)))
            if crude is None:
                continue
            within = difference(y, group, beside)
            one_with = (
                "" if within else next((o for o, d in rest.items() if difference(y, group, d) is None), "the rest")
            )
            yield FactorDifference(
                figure=figure,
                profile=profile,
                factor=factor,
                level=level,
                vehicles=int(group.sum()),
                others=int((~group).sum()),
                crude=crude,
                within=within,
                one_with=one_with,
                adjusted=1.0,
            )


def _largest(names: Sequence[str]) -> list[str]:
    """The levels that have columns of their own; more would be compared on few vehicles each, and for hours."""
    count = Counter(names)
    return sorted(sorted(count, key=lambda name: (-count[name], name))[:MOST])


def _covariates(rows: Sequence[Row]) -> Floats:
    """Columns of what most vehicles have; who lacks one gets the middle of the others."""
    columns = []
    for key in ABOUT:
        known = [float(row[key]) for row in rows if row[key] is not None]
        if len(known) >= KNOWN * len(rows) and len(set(known)) > 2:
            middle = float(np.median(known))
            columns.append([middle if row[key] is None else float(row[key]) for row in rows])
    wide = np.array(columns).T.reshape(len(rows), len(columns))
    return np.asarray((wide - wide.mean(axis=0)) / np.where(wide.std(axis=0) > 0, wide.std(axis=0), 1.0))


def _of_seasons(figure: Figure, profile: str, months: Sequence[Row]) -> Iterator[FactorDifference]:
    """Each vehicle's months about its own line in time: those of a season less its others."""
    by_vehicle: dict[str, list[Row]] = {}
    for row in months:
        by_vehicle.setdefault(row["vehicle"], []).append(row)
    long = [rows for rows in by_vehicle.values() if len(rows) >= LEAST_MONTHS]
    if len(long) < FEWEST:
        return
    for season, chosen in SEASONS.items():
        shifts = [s for rows in long if (s := _shift(rows, chosen)) is not None]
        if len(shifts) < FEWEST:
            continue
        found = shift(np.array(shifts))
        if found is None:
            continue
        yield FactorDifference(
            figure=figure,
            profile=profile,
            factor="season",
            level=SEASON_WORDS[season],
            vehicles=len(shifts),
            others=len(shifts),
            crude=found,
            within=found,
            one_with="",
            adjusted=1.0,
        )


def _shift(rows: Sequence[Row], chosen: Sequence[int]) -> float | None:
    """With the vehicle's own line in time taken off; None where the record has no such month, or none besides."""
    inside = np.array([row["month"] in chosen for row in rows])
    if inside.all() or not inside.any():
        return None
    day, value = (np.array([float(row[key]) for row in rows]) for key in ("day", "value"))
    columns = np.stack([np.ones(day.size), day - day.mean(), inside.astype(float)], axis=1)
    return float(np.linalg.lstsq(columns, value, rcond=None)[0][2])
