"""Repeatability of the line's tests: the same units tested again, by the same and by other persons or lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan
from typing import Literal

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.study.measured import Measured
from herdbook.pipeline.science.gauge import ByRanges, Gauge, by_ranges, crossed
from herdbook.pipeline.science.gauge_unbalanced import MOST_CELLS, Indices, unbalanced

By = Literal["who", "line"]
FEW_UNITS, FEW_PERSONS = 5, 3  # below, the intervals are so wide that it is said; common practice is 10 by 3


@dataclass(frozen=True, slots=True)
class RepeatStudy:
    """One item. values (n,): tests; of_unit, of_person (n,): whose each is, an index into units and persons, which are
    names. balanced: every unit was tested as often by everybody. gauge: None where there is not enough, and `lacking`
    says why; ranges: of balanced tests alone. told: what was left out, and what to keep in mind."""

    item: str
    unit: str
    units: tuple[str, ...]
    persons: tuple[str, ...]
    values: Floats
    of_unit: Indices
    of_person: Indices
    balanced: bool
    gauge: Gauge | None
    ranges: ByRanges | None
    lacking: str
    told: tuple[str, ...]

    @property
    def tests(self) -> str:
        """How many: "8×2×2" units, persons, repeats; "31 of 8×2" where they are not all as many."""
        n, m = len(self.units), len(self.persons)
        return f"{n}×{m}×{self.values.size // (n * m)}" if self.balanced else f"{self.values.size} of {n}×{m}"


def repeat_study(item: str, rows: Sequence[Measured], by: By, tolerance: float | None) -> RepeatStudy:
    """rows: tests of one item, in order. Every unit that was tested more than once counts with all its tests.
    tolerance: width of the limits."""
    often = Counter(m.vehicle for m in rows)
    used = [m for m in rows if often[m.vehicle] > 1]
    units = tuple(sorted({m.vehicle for m in used}))
    persons = tuple(sorted({getattr(m, by) for m in used}))
    of_unit = np.array([units.index(m.vehicle) for m in used], dtype=np.intp)
    of_person = np.array([persons.index(getattr(m, by)) for m in used], dtype=np.intp)
    values = np.array([m.value for m in used])
    cells = Counter(zip(of_unit.tolist(), of_person.tolist(), strict=True))
    balanced = len(cells) == len(units) * len(persons) and len(set(cells.values())) == 1
    gauge, ranges, lacking = None, None, ""
    noun = _noun(by)
    if len({u for (u, _), k in cells.items() if k > 1}) < 2:
        lacking = f"not enough to say: no two units were tested twice by the same {noun}"
    elif max(Counter(p for _, p in cells).values()) < 2:
        lacking = f"not enough to say: no {noun} tested two units, so that the two cannot be told apart"
    elif balanced:
        order = np.lexsort((of_person, of_unit))
        of_unit, of_person, values = of_unit[order], of_person[order], values[order]
        cube = values.reshape(len(units), len(persons), -1)
        gauge, ranges = crossed(cube, tolerance), by_ranges(cube)
    elif len(cells) > MOST_CELLS:
        lacking = f"too many to say: {len(cells)} pairs of unit and {noun}; {MOST_CELLS} at most, ten by three do"
    else:
        gauge = unbalanced(values, of_unit, of_person, tolerance)
    told = () if gauge is None else tuple(_told(gauge, by, persons, balanced, left=len(rows) - len(used), of=len(rows)))
    return RepeatStudy(
        item=item,
        unit=rows[0].unit,
        units=units,
        persons=persons,
        values=values,
        of_unit=of_unit,
        of_person=of_person,
        balanced=balanced,
        gauge=gauge,
        ranges=ranges,
        lacking=lacking,
        told=told,
    )


def _told(gauge: Gauge, by: By, persons: tuple[str, ...], balanced: bool, *, left: int, of: int) -> list[str]:
    noun, told = _noun(by), []
    if left:
        are = "is" if left == 1 else "are"
        told.append(f"{left} of {of} tests {are} left out: a unit that was tested once says nothing of repeating.")
    if not balanced:
        told.append(
            f"Not every unit was tested as often by every {noun}: analysis of variance by sums of squares of each "
            "factor after the other (Henderson's method 3); but for repeats, its intervals are an approximation."
        )
    if len(persons) == 1:
        whom = f" ({persons[0]})" if persons[0] else ""
        told.append(f"One {noun} alone{whom}: what another one would measure is not known.")
    elif isnan(gauge.reproducibility.value):
        told.append(f"No two {noun}s tested a unit in common: what another one would measure is not known.")
    elif len(persons) < FEW_PERSONS:
        told.append(f"With {len(persons)} {noun}s their share is hardly known; three and more are usual.")
    if gauge.units < FEW_UNITS:
        told.append(f"{gauge.units} units are few; ten, as unlike as the line makes them, are usual.")
    return told


def _noun(by: By) -> str:
    return "person" if by == "who" else "line"
