"""One figure out of many sessions: a robust middle whose error owns up to the scatter between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.health.reading import metric_rows, places, recent
from herdbook.pipeline.health.rule import Record, Window
from herdbook.pipeline.science.robust_fit import MAD_TO_SD, median
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
    """Weighted median and its standard error, with the scatter between sessions added to each session's own error.

    The scatter is the part of the robust variance of the values that their errors do not explain (the idea of random
    effects in meta-analysis: DerSimonian and Laird, Control. Clin. Trials 7 (1986) 177, with a robust variance).
    """
    own = np.where(np.isfinite(ses), ses, 0.0)
    centre = median(values)
    robust = (MAD_TO_SD * median(np.abs(values - centre))) ** 2 if values.size >= 3 else values.var()
    between = max(0.0, float(robust - np.mean(own**2)))
    variance = np.maximum(own**2 + between, 1e-24)
    weight = 1.0 / variance
    order = np.argsort(values, kind="stable")
    running = np.cumsum(weight[order])
    value = float(values[order][np.searchsorted(running, 0.5 * running[-1])])
    factor = 1.2533 if values.size >= 3 else 1.0  # a median's error over a mean's, for normal noise
    return value, factor / float(np.sqrt(weight.sum()))


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
