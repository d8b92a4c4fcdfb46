"""What rules share in reading a record: metric rows, event tables, robust middles, confidence, windows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl

from pipeline.health.model import Record, Window

_EVENT_FRAME = ("session_start_t", "item", "start_t", "end_t")


def metric_rows(record: Record, name: str, item: str | None = None, kind: str | None = None) -> pl.DataFrame:
    """Rows of one metric in time order (kind, start_t, end_t, name, item, value, unit, se, n, coverage)."""
    by_name = record.once("metrics by name", lambda: _by_name(record.metrics))
    rows = by_name[name] if name in by_name else record.metrics.clear()
    if item is not None:
        rows = rows.filter(pl.col("item") == item)
    if kind is not None:
        rows = rows.filter(pl.col("kind") == kind)
    return rows


def _by_name(metrics: pl.DataFrame) -> dict[str, pl.DataFrame]:
    parts = metrics.filter(pl.col("value").is_finite()).partition_by("name", maintain_order=True, as_dict=True)
    return {str(name): part for (name,), part in parts.items()}


def event_table(record: Record, kind: str, keys: tuple[str, ...] = ()) -> pl.DataFrame:
    """Events of one kind as a flat table: session_start_t, item, start_t, end_t and a float column per data
    key.

    keys: columns that must exist even when no event carries them (null then).
    """
    return record.once(("events", kind, keys), lambda: _event_table(record.events, kind, keys))


def _event_table(events: pl.DataFrame, kind: str, keys: tuple[str, ...]) -> pl.DataFrame:
    rows = events.filter(pl.col("kind") == kind).drop("kind").with_row_index("row")
    flat = rows.select("row", *_EVENT_FRAME)
    if rows.height:
        pairs = rows.select("row", "data").explode("data").drop_nulls("data").unnest("data")
        if pairs.height:
            names = sorted(pairs["key"].unique().to_list())
            wide = pairs.pivot(on="key", on_columns=names, index="row", values="value", aggregate_function="first")
            flat = flat.join(wide, on="row", how="left", maintain_order="left")
    absent = [pl.lit(None, pl.Float64).alias(key) for key in keys if key not in flat.columns]
    return flat.with_columns(absent).drop("row")


@dataclass(frozen=True, slots=True)
class Middle:
    """A robust middle of n values, with its standard error and the robust spread of one value."""

    value: float
    se: float
    spread: float
    n: int


def middle(values: pl.Series, least_se: float = 0.0) -> Middle:
    """Median of finite values. spread: 1.4826 x median absolute deviation; se: 1.2533 x spread / sqrt(n), not
    under least_se. Source: asymptotic efficiency 2/pi of the median under a normal law (standard result)."""
    v = values.drop_nulls().to_numpy()
    v = v[np.isfinite(v)]
    if not v.size:
        return Middle(math.nan, math.nan, math.nan, 0)
    centre = float(np.median(v))
    spread = 1.4826 * float(np.median(np.abs(v - centre)))
    return Middle(centre, max(1.2533 * spread / math.sqrt(v.size), least_se), spread, int(v.size))


def mean(values: pl.Series) -> float:
    """Mean of the finite values; NaN when there are none."""
    v = values.drop_nulls().cast(pl.Float64).drop_nans().to_numpy()
    return float(v.mean()) if v.size else math.nan


def largest(values: pl.Series) -> float:
    """Largest finite value; NaN when there is none."""
    v = values.drop_nulls().cast(pl.Float64).drop_nans().to_numpy()
    return float(v.max()) if v.size else math.nan


def confidence(measured: float, limit: float, se: float | None) -> float:
    """Chance that the true value lies beyond the limit on the side where `measured` is: the normal law at
    |measured - limit| / se, at most 0.999 (a model is never certain)."""
    if not se or not math.isfinite(se):
        return 0.999
    return min(0.5 * (1.0 + math.erf(abs(measured - limit) / se / math.sqrt(2.0))), 0.999)


def at_least(events: int, trials: int) -> float:
    """Lower end of the 95 % Wilson interval of a share: what `events` of `trials` prove at least.

    Source: NIST/SEMATECH e-Handbook 7.2.4.1.
    """
    if trials <= 0:
        return 0.0
    z, p = 1.959964, events / trials
    centre = p + z * z / (2 * trials)
    half = z * math.sqrt(p * (1 - p) / trials + z * z / (4 * trials * trials))
    return max(0.0, (centre - half) / (1 + z * z / trials))


def windows(rows: pl.DataFrame, by: str, largest_first: bool = True, most: int = 10) -> tuple[Window, ...]:
    """The worst rows (columns start_t, end_t) as windows, worst first by the column `by`."""
    worst = rows.drop_nulls(by).sort(by, descending=largest_first, maintain_order=True).head(most)
    starts = worst["start_t"].cast(pl.Int64).to_list()
    ends = worst["end_t"].cast(pl.Int64).to_list()
    return tuple(Window(int(a), int(b)) for a, b in zip(starts, ends, strict=True))


def seconds(rows: pl.DataFrame) -> float:
    """Summed length of rows with start_t and end_t."""
    if not rows.height:
        return 0.0
    return float((rows["end_t"] - rows["start_t"]).dt.total_microseconds().sum()) / 1e6


def recent(rows: pl.DataFrame, last_days: float, most: int | None = None) -> pl.DataFrame:
    """The rows of the last days before the newest of them, `most` at most: what holds now, not what once
    held."""
    if rows.height:
        newest = rows["start_t"].max()
        assert isinstance(newest, datetime)
        rows = rows.filter(pl.col("start_t") >= newest - timedelta(days=last_days)).sort("start_t", maintain_order=True)
    return rows.tail(most) if most else rows


def days(rows: pl.DataFrame) -> int:
    """On how many UTC days the rows begin."""
    return int(rows["start_t"].dt.date().n_unique()) if rows.height else 0


def spaced(rows: pl.DataFrame, gap_s: float) -> int:
    """How many of the rows (in time order) begin at least gap_s after the one before them, the first
    included."""
    starts: list[int] = rows["start_t"].cast(pl.Int64).sort().to_list()
    return min(len(starts), 1) + sum(b - a >= gap_s * 1e6 for a, b in pairwise(starts))


@dataclass(frozen=True, slots=True)
class Reference:
    """A fleet figure frozen with the rule set: value, robust spread between healthy vehicles, number of
    vehicles."""

    value: float
    spread: float
    n: int


def reference(record: Record, name: str, item: str = "") -> Reference | None:
    """The fleet's figure of that name, or None when it was never fitted."""
    rows = record.reference.filter(pl.col("name") == name, pl.col("item") == item)
    if not rows.height:
        return None
    value, spread, n = rows.select("value", "spread", "n").row(0)
    return Reference(float(value), float(spread), int(n))


def spell(value: float, unit: str, se: float | None = None) -> str:
    """A number for a sentence: three significant digits, `±` its standard error when known; next to nothing
    is 0."""
    value = 0.0 if abs(value) < 5e-4 else value
    text = f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    if se and math.isfinite(se):
        text += f" ± {se:.2g}"
    return f"{text} {unit}".strip()


def counted(n: int, word: str) -> str:
    """`1 ride`, `3 rides`."""
    return f"{n} {word}" if n == 1 else f"{n} {word}s"
