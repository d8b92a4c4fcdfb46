"""Capability of the line: whether its units keep limits, and how well that is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.study.in_control import LineChart, line_charts
from herdbook.pipeline.bench.study.measured import Measured, first_of_each
from herdbook.pipeline.science.capability import Capability, capability
from herdbook.pipeline.science.normal_samples import normality

LEAST, FEW = 10, 30  # units: below the first nothing is said, below the second that it is little
RARE = 0.05


@dataclass(frozen=True, slots=True)
class LimitStudy:
    """One item over all lines. values: one a unit, its first test. outside: units beyond the limits. found: None where
    there is not enough, and `lacking` says why. normal_p: how rare such values are under a normal law."""

    item: str
    unit: str
    vehicles: tuple[str, ...]
    values: Floats
    outside: int
    found: Capability | None
    normal_p: float
    lacking: str
    told: tuple[str, ...]


def limit_study(item: str, rows: Sequence[Measured], low: float | None, high: float | None) -> LimitStudy:
    """rows: tests of one item, in order of time. low, high: limits, in the values' unit, one of them at least."""
    units = first_of_each(rows)
    values = np.array([m.value for m in units])
    n, told = values.size, list[str]()
    outside = int(
        np.count_nonzero(
            (values < (low if low is not None else -np.inf)) | (values > (high if high is not None else np.inf))
        )
    )
    found, lacking, p = None, "", float("nan")
    sd = float(values.std(ddof=1)) if n > 1 else 0.0
    if n < LEAST:
        lacking = f"not enough to say: {n} units; {LEAST} are needed, {FEW} are usual"
    elif not sd > 0:
        lacking = f"all {n} values are alike: their instrument is too coarse for this question"
    else:
        found = capability(n, float(values.mean()), sd, low, high)
        p = normality(values)
        told = _told(n, p, line_charts(item, rows, by_day=False), repeats=len(rows) - n)
    return LimitStudy(
        item=item,
        unit=units[0].unit,
        vehicles=tuple(m.vehicle for m in units),
        values=values,
        outside=outside,
        found=found,
        normal_p=p,
        lacking=lacking,
        told=tuple(told),
    )


def _told(n: int, p: float, lines: Sequence[LineChart], repeats: int) -> list[str]:
    told = []
    if n < FEW:
        told.append(f"{n} units are few: look at the interval, not at the figure.")
    if p < RARE:
        told.append(f"The values do not look normal (p = {p:.2g}): Cpk and the share beyond the limits may be far off.")
    for chart in lines:
        if chart.signals and chart.p < RARE:
            where = f" of line {chart.line}" if chart.line else ""
            told.append(f"The values{where} are not steady: this says what was, not what will be. See the charts.")
    if len(lines) > 1:
        told.append(f"{len(lines)} lines are put together.")
    if repeats:
        told.append(f"Of units tested again the first test counts ({repeats} repeats left out).")
    return told
