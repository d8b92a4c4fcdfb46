"""Arrays to polars columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from decoders.extract import Column

if TYPE_CHECKING:
    import polars as pl


def as_series(name: str, column: Column) -> pl.Series:
    """One signal as a column, null where it is absent."""
    import polars as pl

    values = pl.Series(name, column.values)
    if column.valid is None or column.valid.all():
        return values
    return values.set(pl.Series(~column.valid), None)
