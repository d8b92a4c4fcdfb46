"""Tables of session figures: the newest, the weighted mean with its error, the extremes, how much is behind them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.reports.drawing.readings import MetricSeries, natural, series_of
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, PageTable
from herdbook.pipeline.reports.words import numbers

HEAD = ("Figure", "Newest session", "Weighted mean", "Lowest", "Highest", "Sessions", "Covered")
NUMERIC = frozenset({1, 2, 3, 4, 5, 6})
MOST_ITEMS = 4  # a figure with more items (groups, sensors) is one row: over all of them


def figures_table(facts: Facts, title: str, chosen: Sequence[tuple[str, str]], folded: bool = False) -> list[Block]:
    """A table of the chosen (metric, words); nothing when the record has none of them."""
    known = facts.metrics.filter(pl.col("name").is_in([name for name, _ in chosen]))
    by_name = {str(name): part for (name,), part in known.partition_by("name", as_dict=True).items()}
    doubted = facts.doubted
    body = [
        row
        for name, said in chosen
        if name in by_name
        for row in _rows(by_name[name], f"In doubt: {said}" if name in doubted else said)
    ]
    return [PageTable(title, HEAD, body, NUMERIC, folded)] if body else []


def _rows(part: pl.DataFrame, said: str) -> list[tuple[str, ...]]:
    names = sorted(set(part["item"].to_list()), key=natural)
    if len(names) > MOST_ITEMS:
        return [_over_items(part, f"{said} (medians over {len(names)} items)")]
    name = str(part["name"][0])
    pieces = (
        {names[0]: part}
        if len(names) == 1
        else {str(i): p for (i,), p in part.partition_by("item", as_dict=True).items()}
    )
    return [
        _one(series_of(pieces[i], name, i), f"{said}: {_plain(i)}" if i else said, _cover(pieces[i])) for i in names
    ]


def _cover(part: pl.DataFrame) -> float:
    return float(part["coverage"].to_numpy().mean())


def _one(of: MetricSeries, said: str, cover: float) -> tuple[str, ...]:
    last = of.last(1)
    newest = numbers.amount(float(last.value[0]), of.unit, _error(last.se[0]))
    value, se = pool(of.value, of.se) if len(of) > 1 else (float(of.value[0]), float(of.se[0]))
    middle = numbers.amount(value, of.unit, _error(se)) if len(of) > 1 else ""
    ends = (numbers.amount(float(v), of.unit) for v in (of.value.min(), of.value.max()))
    return said, newest, middle, *ends, str(len(of)), _share(cover)


def _over_items(part: pl.DataFrame, said: str) -> tuple[str, ...]:
    """Middles over all items; the extremes name theirs."""
    unit, newest = str(part["unit"][0]), part.filter(pl.col("start_t") == part["start_t"].max())
    values = part["value"].to_numpy()
    low, high = (part.row(int(k), named=True) for k in (np.argmin(values), np.argmax(values)))
    return (
        said,
        numbers.amount(float(np.median(newest["value"].to_numpy())), unit),
        numbers.amount(float(np.median(values)), unit),
        *(f"{numbers.amount(row['value'], unit)} ({_plain(row['item']) or 'all'})" for row in (low, high)),
        str(part["start_t"].n_unique()),
        _share(float(part["coverage"].to_numpy().mean())),
    )


def _plain(item: str) -> str:
    """An item as people write it; bands of temperature name their unit."""
    return item.replace("degC", "°C")


def _error(se: float) -> float | None:
    return float(se) if np.isfinite(se) else None


def _share(cover: float) -> str:
    return f"{cover:.0%}"
