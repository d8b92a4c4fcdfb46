"""Charts of means and spreads of rational subgroups of a line: of a day, of a batch, of whatever a table names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.study.in_control import AS_GIVEN
from herdbook.pipeline.bench.study.measured import Measured, first_of_each
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.science.gauge import f_above
from herdbook.pipeline.science.subgroup_charts import SubgroupCharts, by_chance, subgroup_charts

LEAST, USUAL = 20, 25  # groups of a baseline; common practice
RARE = 0.01


@dataclass(frozen=True, slots=True)
class GroupChart:
    """One item on one line. names: of the groups, in order of their first unit; groups: their values. found: None where
    there is not enough, and `lacking` says why. p: how often a steady line shows as much on either chart; NaN."""

    item: str
    line: str
    unit: str
    by: str
    names: tuple[str, ...]
    groups: tuple[Floats, ...]
    found: SubgroupCharts | None
    p: float
    lacking: str
    told: tuple[str, ...]

    @property
    def signals(self) -> dict[str, str]:
        """Per chart the name of the first group that lies beyond its limits."""
        f = self.found
        given = {} if f is None else {"X-bar": f.mean_out, f.spread: f.spread_out}
        return {chart: self.names[int(np.argmax(out))] for chart, out in given.items() if out.any()}


def group_charts(item: str, rows: Sequence[Measured], by: str, first: int) -> list[GroupChart]:
    """A chart a line. rows: in order of time, each with its group; each unit counts with its first test. by: what the
    groups are, in words. first: so many groups are the baseline."""
    lines: dict[str, list[Measured]] = {}
    for m in first_of_each(rows):
        lines.setdefault(m.line, []).append(m)
    return [_one(item, line, some, by, first) for line, some in sorted(lines.items())]


def _one(item: str, line: str, rows: list[Measured], by: str, first: int) -> GroupChart:
    told = []
    named: dict[str, list[float]] = {}
    for m in rows:
        if m.group:
            named.setdefault(m.group, []).append(m.value)
    if nobody := sum(not m.group for m in rows):
        are = "is" if nobody == 1 else "are"
        told.append(f"{nobody} of {len(rows)} units {are} left out: nothing says their {by}.")
    if any(m.group and m.t is None for m in rows):
        told.append(AS_GIVEN)
    if alone := sum(len(v) < 2 for v in named.values()):
        told.append(f"Groups of one unit are left out ({alone}): they have no spread.")
    groups = {name: np.array(v) for name, v in named.items() if len(v) > 1}
    n = min(first, len(groups))
    found, lacking = None, ""
    if n < LEAST:
        many = f"{counted(n, 'group')} of two and more units"
        lacking = f"not enough to say: {many} for a baseline; {LEAST} are needed"
    else:
        try:
            found = subgroup_charts(list(groups.values()), n)
        except ValueError:
            lacking = "all values of each group are alike: their instrument is too coarse for this question"
    if found is not None:
        told += _told(found, list(groups.values())[:n], by)
    return GroupChart(
        item=item,
        line=line,
        unit=rows[0].unit,
        by=by,
        names=tuple(f"{name} ({v.size})" for name, v in groups.items()),
        groups=tuple(groups.values()),
        found=found,
        p=by_chance(found) if found is not None else nan,
        lacking=lacking,
        told=tuple(told),
    )


def _told(found: SubgroupCharts, base: list[Floats], by: str) -> list[str]:
    sizes = np.array([g.size for g in base], dtype=np.float64)
    rest = int(sizes.sum()) - len(base)
    within = float(sum(((g - g.mean()) ** 2).sum() for g in base)) / rest
    among = float((sizes * (found.means[: len(base)] - found.mean) ** 2).sum()) / (len(base) - 1)
    told = []
    if within > 0 and f_above(among / within, len(base) - 1, rest) < RARE:
        told.append(
            f"In the baseline itself the groups differ by more than their units' spread explains ({by}: variance of "
            f"means {among / within:.1f} times what it would be): the limits are too narrow for them. Find what "
            "differs, or chart the means themselves (--by-day)."
        )
    if len(found.sizes) == len(base):
        told.append(f"All {len(base)} groups are the baseline itself: what came after it is still to be seen.")
    return told
