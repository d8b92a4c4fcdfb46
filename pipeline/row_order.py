"""Rows put in order. Of a short table by plain Python: a query of the column library costs some 0.1 ms and two switches
of thread, whatever is in it, and most tables of a single ride are short."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

# Rows up to which plain Python is quicker than such a query (engineering choice, measured with tests/bench/night.py).
FEW = 400


def in_order(rows: pl.DataFrame, keys: Sequence[str]) -> pl.DataFrame:
    """Rows by these columns of whole numbers, times or words, smallest first; rows that are alike keep their order."""
    if rows.height < 2:
        return rows
    columns = [c.cast(pl.Int64) if c.dtype.is_temporal() else c for c in (rows[key] for key in keys)]
    if rows.height > FEW or any(column.null_count() for column in columns):
        return rows.sort(keys, maintain_order=True)
    place = list(zip(*(column.to_list() for column in columns), strict=True))
    order = sorted(range(rows.height), key=place.__getitem__)
    return rows[order] if any(i != at for i, at in enumerate(order)) else rows
