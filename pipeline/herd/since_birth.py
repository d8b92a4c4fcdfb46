"""What the herd was at birth and is now, by type and build: the yardstick that acceptance tests left.

A vehicle counts once a figure, with the middle of its groups, sensors or sides. Its change is its own, now less birth,
so that what differs between units drops out; the mean change of a build has Student's interval over vehicles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.science.student import quantile
from herdbook.pipeline.store.statements import Row, ask, has

if TYPE_CHECKING:
    import duckdb

LEAST = 3  # vehicles that tell how much a change scatters (engineering choice)


@dataclass(frozen=True, slots=True)
class Farthest:
    """The unit, and its group or sensor, whose change is largest of those beyond their errors."""

    vehicle: str
    item: str
    at_birth: float
    now: float


@dataclass(frozen=True, slots=True)
class BirthGroup:
    """One figure of a type's build (group: batch or month; "" for all of the type). tested, measured: vehicles with a
    birth figure, and with one of now to compare. at_birth: median and range over those tested. now: median of those
    measured. change: their mean change with 95 % ends; None with none measured, ends None under LEAST."""

    profile: str
    group: str
    figure: str
    unit: str
    tested: int
    measured: int
    at_birth: tuple[float, float, float]
    now: float | None
    change: float | None
    low: float | None
    high: float | None
    farthest: Farthest | None


def since_birth(con: duckdb.DuckDBPyConnection) -> list[BirthGroup]:
    """By type and figure, all of the type first where it has several builds. [] without a tested vehicle, or in a copy
    published by an older Herdbook."""
    if not has(con, "figures_since_birth"):
        return []
    by: dict[tuple[str, str], list[Row]] = {}
    for row in ask(con, __name__, "since_birth"):
        by.setdefault((row["profile"], row["figure"]), []).append(row)
    found = []
    for rows in by.values():
        groups = sorted({row["of_group"] for row in rows})
        if len(groups) > 1:
            found.append(_group("", rows))
        found += [_group(name, [row for row in rows if row["of_group"] == name]) for name in groups]
    return found


def _group(name: str, rows: Sequence[Row]) -> BirthGroup:
    births = np.array([row["at_birth"] for row in rows], dtype=float)
    later = [row for row in rows if row["change"] is not None]
    changes = np.array([row["change"] for row in later], dtype=float)
    low = high = None
    if changes.size >= LEAST:
        reach = quantile(0.95, changes.size - 1.0) * float(changes.std(ddof=1)) / sqrt(changes.size)
        low, high = float(changes.mean()) - reach, float(changes.mean()) + reach
    moved = [row for row in later if row["item"] is not None]
    far = max(moved, key=lambda row: abs(row["item_now"] - row["item_birth"]), default=None)
    return BirthGroup(
        profile=rows[0]["profile"],
        group=name,
        figure=rows[0]["figure"],
        unit=rows[0]["unit"],
        tested=len(rows),
        measured=len(later),
        at_birth=(float(np.median(births)), float(births.min()), float(births.max())),
        now=float(np.median([row["now"] for row in later])) if later else None,
        change=float(changes.mean()) if later else None,
        low=low,
        high=high,
        farthest=Farthest(far["vehicle"], far["item"], far["item_birth"], far["item_now"]) if far else None,
    )
