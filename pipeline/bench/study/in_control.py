"""Control charts of birth figures: is the line as it was, and since when not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import nan, sqrt
from typing import Protocol

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.study.measured import Measured, first_of_each
from herdbook.pipeline.science.control_charts import (
    Baseline,
    Charts,
    autocorrelation,
    baseline,
    by_chance,
    charts,
    cusum_run_length,
    ewma_run_length,
    holm,
    shewhart_run_length,
)

USUAL, LEAST = 30, 20  # values of a baseline; common practice is 20 to 30
RUN_LENGTHS: dict[str, Callable[[float], float]] = {
    "shewhart": shewhart_run_length,
    "ewma": ewma_run_length,
    "cusum": cusum_run_length,
}
AS_GIVEN = "Not every row has a time: the order of the rows is taken as the order of time."
CHART_WORDS = {"shewhart": "single values (Shewhart)", "ewma": "weighted mean (EWMA)", "cusum": "sums (CUSUM)"}


@dataclass(frozen=True, slots=True)
class LineChart:
    """One item on one line. names: of the values (unit, or day with its count); t: of each, None where nobody said.
    found: None where there is not enough, and `lacking` says why. signals: per chart the name at its first signal.
    began: about where the shift that the sums show began. p: how often a steady line shows as much on any chart; NaN
    where nothing was found. told: what to keep in mind."""

    item: str
    line: str
    unit: str
    names: tuple[str, ...]
    t: tuple[datetime | None, ...]
    values: Floats
    about: Baseline | None
    found: Charts | None
    signals: dict[str, str]
    began: str
    p: float
    lacking: str
    told: tuple[str, ...]


class Looked(Protocol):
    """A series with its p, NaN where nothing was found."""

    @property
    def p(self) -> float: ...


def among_all(series: Sequence[Looked]) -> list[float]:
    """The p of each series among all that were looked at (Holm); NaN where there is none."""
    return holm([c.p for c in series])


def line_charts(item: str, rows: Sequence[Measured], by_day: bool, first: int = USUAL) -> list[LineChart]:
    """A chart a line. rows: in order of time; each unit counts with its first test. by_day: mean of each day instead of
    single units. first: so many values are the baseline."""
    lines: dict[str, list[Measured]] = {}
    for m in first_of_each(rows):
        lines.setdefault(m.line, []).append(m)
    return [_one(item, line, some, by_day, first) for line, some in sorted(lines.items())]


def _one(item: str, line: str, rows: list[Measured], by_day: bool, first: int) -> LineChart:
    told: list[str] = []
    names, t, values, thin = _days(rows) if by_day else _units(rows)
    if thin:
        told.append(f"Days with under half the usual number of units are left out ({thin}): their means scatter more.")
    if any(m.t is None for m in rows):
        told.append(AS_GIVEN)
    lacking, about, found = "", None, None
    word = "days" if by_day else "units"
    n = min(first, len(values))
    if len(values) < LEAST or n < LEAST:
        lacking = f"not enough to say: {min(n, len(values))} {word} for a baseline; {LEAST} are needed"
    else:
        about = baseline(values[:n])
        if about.sd > 0:
            found = charts(values, about)
        else:
            lacking = "all values of the baseline are alike: nothing can be out of the ordinary"
    signals, began = {}, ""
    if found is not None:
        signals = {chart: names[at] for chart, at in found.first.items() if at is not None}
        at = found.first["cusum"]
        began = names[found.began(at)] if at is not None else ""
        r = autocorrelation(values[:n])
        if abs(r) > 2 / sqrt(n):
            told.append(
                f"Neighbours of the baseline follow each other (correlation {r:.2f}): the charts signal by chance more "
                "often than their run length says."
            )
        if len(values) == n:
            told.append(f"All {n} {word} are the baseline itself: what came after it is still to be seen.")
    return LineChart(
        item=item,
        line=line,
        unit=rows[0].unit,
        names=tuple(names),
        t=tuple(t),
        values=values,
        about=about,
        found=found,
        signals=signals,
        began=began,
        p=by_chance(found, about) if found is not None and about is not None else nan,
        lacking=lacking,
        told=tuple(told),
    )


Values = tuple[list[str], list[datetime | None], Floats, int]  # names, times, values, how many were too thin


def _units(rows: list[Measured]) -> Values:
    return [m.vehicle for m in rows], [m.t for m in rows], np.array([m.value for m in rows]), 0


def _days(rows: list[Measured]) -> Values:
    """Mean of each day (UTC); rows without a time are left out, and days with far fewer units than usual."""
    days: dict[date, list[Measured]] = {}
    for m in rows:
        if m.t is not None:
            days.setdefault(m.t.date(), []).append(m)
    usual = float(np.median([len(some) for some in days.values()])) if days else 0.0
    thin = sum(len(some) < 0.5 * usual for some in days.values())
    days = {day: some for day, some in days.items() if len(some) >= 0.5 * usual}
    names = [f"{day} ({len(some)} unit{'s' * (len(some) != 1)})" for day, some in days.items()]
    means = np.array([float(np.mean([m.value for m in some])) for some in days.values()])
    return names, [some[0].t for some in days.values()], means, thin
