"""Rows put in order. Of a short table by plain Python: a query of the column library costs some 0.1 ms and two switches
of thread, whatever is in it, and most tables of a single ride are short."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Integers

# Rows up to which plain Python is quicker than such a query (engineering choice, measured with tests/bench/night.py).
FEW = 400


def in_order(rows: pl.DataFrame, keys: Sequence[str]) -> pl.DataFrame:
    """Rows by these columns of whole numbers, times or words, smallest first; rows that are alike keep their order."""
    if rows.height < 2:
        return rows
    columns = [c.cast(pl.Int64) if c.dtype.is_temporal() else c for c in (rows[key] for key in keys)]
    if any(column.null_count() for column in columns):
        return rows.sort(keys, maintain_order=True)
    if rows.height > FEW:
        places = _order(columns)
        return rows if places is None else rows.rechunk()[places]  # out of pieces it takes ten times as long
    place = list(zip(*(column.to_list() for column in columns), strict=True))
    order = sorted(range(rows.height), key=place.__getitem__)
    return rows[order] if any(i != at for i, at in enumerate(order)) else rows


def _order(columns: Sequence[pl.Series]) -> Integers | None:
    """Places in order, column by column from the last on; None where that is how they stand. Words by the place of each
    among the few different ones: to sort 50,000 words takes longer than all the rest of judging a year."""
    order = np.arange(columns[0].len())
    for column in reversed(columns):
        numbers = _ranks(column) if column.dtype == pl.String else column.to_numpy()
        mine = numbers[order]
        if (mine[1:] < mine[:-1]).any():
            order = order[np.argsort(mine, kind="stable")]
    return None if (order[1:] > order[:-1]).all() else order


def _ranks(words: pl.Series) -> Integers:
    """The place of each word in the order of all different ones, in as few bytes as will do: those are sorted in the
    time that it takes to count them."""
    found: Integers = words.cast(pl.Enum(words.unique().sort())).to_physical().to_numpy()
    return found
