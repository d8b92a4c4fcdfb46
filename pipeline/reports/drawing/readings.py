"""Session figures of one vehicle as arrays, for drawing over its life."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.figure import Spec, axis, label, local_ms, packed
from herdbook.pipeline.times import micros

Z95 = 1.959964  # two-sided 95 % of the normal distribution


@dataclass(frozen=True, slots=True)
class MetricSeries:
    """One metric over the sessions that have it: t microseconds UTC (session start), value, se (NaN = none)."""

    name: str
    item: str
    unit: str
    t: NDArray[np.int64]
    value: NDArray[np.float64]
    se: NDArray[np.float64]
    n: NDArray[np.int64]

    def __len__(self) -> int:
        return int(self.t.shape[0])

    def last(self, count: int) -> MetricSeries:
        cut = slice(-count, None)
        return replace(self, t=self.t[cut], value=self.value[cut], se=self.se[cut], n=self.n[cut])

    def pooled(self) -> tuple[float, float | None]:
        """Mean and its standard error; weighted by 1/se^2 where every session has one, else plain."""
        if len(self) and np.isfinite(self.se).all() and (self.se > 0).all():
            weight = 1 / self.se**2
            spread = _scatter(self.value, weight)
            return float((weight * self.value).sum() / weight.sum()), float(spread / np.sqrt(weight.sum()))
        if len(self) < 2:
            return (float(self.value[0]) if len(self) else float("nan")), None
        return float(self.value.mean()), float(self.value.std(ddof=1) / np.sqrt(len(self)))


def _scatter(value: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    """How much more the sessions scatter than their errors say; at least 1 (Birge ratio)."""
    if value.size < 2:
        return 1.0
    mean = (weight * value).sum() / weight.sum()
    return max(1.0, float(np.sqrt((weight * (value - mean) ** 2).sum() / (value.size - 1))))


def metric_series(facts: Facts, name: str, item: str = "", kinds: tuple[str, ...] = ()) -> MetricSeries:
    """One metric and item, in time order; empty when the catalogue has none."""
    rows = facts.metrics.filter(pl.col("name") == name, pl.col("item") == item)
    return series_of(rows.filter(pl.col("kind").is_in(kinds)) if kinds else rows, name, item)


def series_of(rows: pl.DataFrame, name: str, item: str) -> MetricSeries:
    """Rows of one metric and item, in time order, as arrays."""
    t = rows["start_t"].to_numpy().astype("datetime64[us]").astype(np.int64)
    error = rows["se"] if rows["se"].dtype == pl.Float64 else rows["se"].cast(pl.Float64)
    unit = str(rows["unit"][0]) if rows.height else ""
    return MetricSeries(
        name=name,
        item=item,
        unit=unit,
        t=t,
        value=rows["value"].to_numpy(),
        se=error.to_numpy(),  # NaN where there is none
        n=rows["n"].to_numpy(),
    )


def items(facts: Facts, name: str) -> list[str]:
    """The items a metric is known for, numbers in order first."""
    found = facts.metrics.filter(pl.col("name") == name)["item"].unique().to_list()
    return sorted(found, key=natural)


def natural(text: str) -> tuple[bool, float, str]:
    """Sort key: by the first number in the text, then by the text."""
    number = re.search(r"-?\d+(\.\d+)?", text)
    return (number is None, float(number[0]) if number else 0.0, text)


def event_table(facts: Facts, kind: str) -> pl.DataFrame:
    """Events of one kind with their numbers as columns beside start_t, end_t, item."""
    rows = facts.events.filter(pl.col("kind") == kind)
    if not rows.height:
        return pl.DataFrame(schema={"start_t": pl.Datetime("us"), "end_t": pl.Datetime("us"), "item": pl.String})
    flat = [
        {key: r[key] for key in ("start_t", "end_t", "item")} | dict(zip(r["keys"], r["numbers"], strict=True))
        for r in rows.iter_rows(named=True)
    ]
    return pl.DataFrame(flat, infer_schema_length=None)


def dots_over_time(facts: Facts, of: MetricSeries, name: str, color: str, symbol: str = "circle") -> Spec:
    """A trace of one reading over the vehicle's life with 95 % error bars where errors are known."""
    trace: Spec = {
        "type": "scatter",
        "mode": "lines+markers",
        "name": label(name),
        "x": packed(local_ms(of.t, facts.zone)),
        "y": packed(of.value),
        "line": {"color": color, "width": 1},
        "marker": {"color": color, "size": 6, "symbol": symbol},
    }
    if np.isfinite(of.se).any():
        reach = np.nan_to_num(Z95 * of.se)
        trace["error_y"] = {"type": "data", "array": packed(reach), "thickness": 1, "width": 0, "color": color}
    return trace


def life_axis(facts: Facts) -> Spec:
    """The time axis that all figures over a unit's life share: from its first to its last record, at least a day."""
    title, known = (
        f"Date ({facts.zone_name})",
        [s["start_t"] for s in facts.sessions] + [s["end_t"] for s in facts.sessions],
    )
    if not known:
        return axis(title, type="date")
    ends = local_ms(np.array([micros(min(known)), micros(max(known))], np.int64), facts.zone)
    pad = max(0.03 * float(ends[1] - ends[0]), 12 * 3_600_000.0)
    return axis(title, type="date", range=[float(ends[0]) - pad, float(ends[1]) + pad])
