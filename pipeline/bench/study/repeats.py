"""Repeatability of the line's tests: the same units tested again, by the same and by other persons or lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.study.measured import Measured
from herdbook.pipeline.science.gauge import ByRanges, Gauge, by_ranges, crossed

By = Literal["who", "line"]
FEW_UNITS, FEW_PERSONS = 5, 3  # below, the intervals are so wide that it is said; common practice is 10 by 3


@dataclass(frozen=True, slots=True)
class RepeatStudy:
    """One item. values: (units, persons, repeats); units, persons: their names. gauge, ranges: None where there is not
    enough, and `lacking` says why. told: what was left out, and what to keep in mind."""

    item: str
    unit: str
    units: tuple[str, ...]
    persons: tuple[str, ...]
    values: Floats
    gauge: Gauge | None
    ranges: ByRanges | None
    lacking: str
    told: tuple[str, ...]


def repeat_study(item: str, rows: Sequence[Measured], by: By, tolerance: float | None) -> RepeatStudy:
    """rows: tests of one item, in order. The largest crossed part of them is used: persons who tested the same units at
    least twice each. tolerance: width of the limits."""
    named = {(m.vehicle, getattr(m, by)) for m in rows}
    cells: dict[tuple[str, str], list[float]] = {}
    for m in rows:
        cells.setdefault((m.vehicle, getattr(m, by)), []).append(m.value)
    units, persons = _crossed(cells)
    unit = rows[0].unit
    if len(units) < 2:
        lacking = "not enough to say: no two units were tested twice by the same " + _noun(by)
        return RepeatStudy(item, unit, (), (), np.empty((0, 0, 0)), None, None, lacking, ())
    repeats = min(len(cells[u, p]) for u in units for p in persons)
    values = np.array([[cells[u, p][:repeats] for p in persons] for u in units])
    told = []
    left = len(rows) - values.size
    if left:
        told.append(
            f"{left} of {len(rows)} tests are left out: every unit must be tested as often by every {_noun(by)} "
            f"({len({v for v, _ in named})} units in all)."
        )
    if len(persons) == 1:
        whom = f" ({persons[0]})" if persons[0] else ""
        told.append(f"One {_noun(by)} alone{whom}: what another one would measure is not known.")
    elif len(persons) < FEW_PERSONS:
        told.append(f"With {len(persons)} {_noun(by)}s their share is hardly known; three and more are usual.")
    if len(units) < FEW_UNITS:
        told.append(f"{len(units)} units are few; ten, as unlike as the line makes them, are usual.")
    return RepeatStudy(
        item=item,
        unit=unit,
        units=units,
        persons=persons,
        values=values,
        gauge=crossed(values, tolerance),
        ranges=by_ranges(values),
        lacking="",
        told=tuple(told),
    )


def _noun(by: By) -> str:
    return "person" if by == "who" else "line"


def _crossed(cells: dict[tuple[str, str], list[float]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Units that all of some persons tested twice or more, and those persons: the person with the fewest such units is
    dropped as long as that leaves more tests to use."""
    good = {key for key, values in cells.items() if len(values) >= 2}
    persons = sorted({p for _, p in good})
    best: tuple[int, tuple[str, ...], tuple[str, ...]] = (0, (), ())
    while persons:
        units = sorted({u for u, _ in good if all((u, p) in good for p in persons)})
        if len(units) >= 2 and len(units) * len(persons) > best[0]:
            best = len(units) * len(persons), tuple(units), tuple(persons)
        counts = Counter(p for _, p in good if p in persons)
        persons.remove(min(persons, key=lambda p: (counts[p], p)))
    return best[1], best[2]
