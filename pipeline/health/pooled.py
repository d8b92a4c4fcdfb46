"""One figure out of many sessions: a weighted mean whose error owns up to the scatter between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.health.reading import metric_rows, places, recent
from herdbook.pipeline.health.rule import Record, Window
from herdbook.pipeline.science.meta_analysis import Z95, random_effects, t95
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.times import column_micros


@dataclass(frozen=True, slots=True)
class Pooled:
    """value and se in the metric's unit; count: sessions behind it; values, ses, starts, ends: per session, in time
    order; times in microseconds UTC."""

    item: str
    value: float
    se: float
    count: int
    values: Floats
    ses: Floats
    starts: Times
    ends: Times

    def share_over(self, limit: float) -> float:
        """Share of the sessions in which the value lay beyond the limit (below it when the limit is negative)."""
        return float(np.mean(self.values > limit if limit >= 0 else self.values < limit))

    def windows(self, largest: bool = True) -> tuple[Window, ...]:
        """The sessions, worst first."""
        order = np.argsort(-self.values if largest else self.values, kind="stable")
        return tuple(Window(int(self.starts[i]), int(self.ends[i])) for i in order[:10])

    @property
    def duration_s(self) -> float:
        return float(sum(((self.ends - self.starts) / 1e6).tolist()))


def pool(values: Floats, ses: Floats) -> tuple[float, float]:
    """Mean over sessions weighted by Paule and Mandel's scatter, and the standard error whose 1.96-fold is a 95 %
    interval (science/meta_analysis.py): Student's factor for few sessions is inside.

    ses: own error of each session, with its resolution in it, without what all sessions share: that does not average
    out and is added by whoever knows it. One of 0 or NaN is not known (known_errors()); where none is, the scatter
    alone tells, and values that do not differ have no error (NaN).

    The own errors are never undercut: sessions that agree by chance are not better known. With two sessions Student's
    factor would be 13: there the own errors count as one further degree of freedom beside the scatter (the idea of
    G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3). A single session is taken at its own error.
    """
    own = known_errors(ses)
    if own is None:
        return float(values.mean()), _scatter_alone(values)
    return (float(values[0]), float(own[0])) if values.size == 1 else _of_several(values, own)


def known_errors(ses: Floats) -> Floats | None:
    """Errors to weigh by: one of 0 or NaN is not known and counts as the middle one of those that are; None: none is
    known."""
    known = np.isfinite(ses) & (ses > 0)
    if not known.any():
        return None
    return ses if known.all() else np.where(known, ses, median(ses[known]))


def _of_several(values: Floats, own: Floats) -> tuple[float, float]:
    found = random_effects(values, own)
    n = found.n
    if n == 2:
        variance, dof = 0.5 * (found.alone**2 + found.se**2), 2
    else:
        variance, dof = found.se**2, n - 1
    return found.mean, max(t95(dof) / Z95 * float(np.sqrt(variance)), found.alone)


def _scatter_alone(values: Floats) -> float:
    """Student's interval as a standard error; NaN where nothing tells it."""
    n = values.size
    sd = float(values.std(ddof=1)) if n > 1 else 0.0
    return t95(n - 1) / Z95 * sd / float(np.sqrt(n)) if sd > 0 else float("nan")


def pooled(
    record: Record,
    name: str,
    last_days: float | None = None,
    most: int | None = None,
    kinds: tuple[str, ...] = (),
) -> dict[str, Pooled]:
    """A metric by item over its newest sessions: those within last_days of the newest, `most` at most."""
    key = "pooled", name, last_days, most, kinds
    return dict(record.once(key, lambda: _pooled(metric_rows(record, name), last_days, most, kinds)))


def _pooled(rows: pl.DataFrame, last_days: float | None, most: int | None, kinds: tuple[str, ...]) -> dict[str, Pooled]:
    if kinds:
        rows = rows.filter(pl.col("kind").is_in(kinds))
    rows = recent(rows, last_days)
    values, ses = rows["value"].to_numpy(), rows["se"].to_numpy()
    starts, ends = column_micros(rows["start_t"]), column_micros(rows["end_t"])
    out = {}
    for item, at in places(rows).items():
        at = at[-most:] if most else at
        value, se = pool(values[at], ses[at])
        out[item] = Pooled(
            item=item,
            value=value,
            se=se,
            count=len(at),
            values=values[at],
            ses=ses[at],
            starts=starts[at],
            ends=ends[at],
        )
    return out


def surely_over(p: Pooled, limit: float, z: float) -> bool:
    """The pooled value lies beyond the limit by more than z standard errors, away from zero."""
    sign = 1.0 if limit >= 0 else -1.0
    return sign * (p.value - limit) > z * p.se
