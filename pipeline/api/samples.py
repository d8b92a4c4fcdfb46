"""Samples of a vehicle piece by piece, a day at most at a time, for Fleet.signals and Fleet.scan_signals."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.reports.signals.window import Wire, asked, gather
from herdbook.pipeline.times import DAY, micros
from herdbook.pipeline.vehicle.record import TIME, Schema

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

COLUMNS: Schema = {"t": TIME, "name": pl.String, "value": pl.Float64, "unit": pl.String}
Stretch = tuple[int, int]  # microseconds UTC, the end left out


def samples(store: Store, vehicle: str, names: Sequence[str], start: int, end: int) -> Iterator[pl.DataFrame]:
    """A table a stretch and signal, its columns COLUMNS. Raises: NotKnownError for a name that there is
    not, or when nothing was recorded at all."""
    for name in names:
        asked(name)  # says what is near
    silent: dict[str, NotKnownError] = {}
    heard: set[str] = set()
    for first, last in pieces(store, vehicle, start, end) or [(start, end)]:
        for name in names:
            try:
                wires = gather(store, vehicle, [name], first, last)
            except NotKnownError as error:
                silent[name] = error
                continue
            heard.add(name)
            yield from map(_table, wires)
    for name, why in silent.items():
        if name not in heard and (not heard or "." in name):  # a role that others are heard beside may be silent
            raise why


def _table(wire: Wire) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "t": pl.Series(wire.t).cast(TIME),
            "name": pl.Series([wire.name]).new_from_index(0, len(wire.t)),
            "value": pl.Series(wire.v.astype("float64")),
            "unit": pl.Series([wire.unit]).new_from_index(0, len(wire.t)),
        }
    )


def pieces(store: Store, vehicle: str, start: int, end: int) -> list[Stretch]:
    """Stretches in which logs of the vehicle lie, cut at midnight UTC, so that a year is never held at once."""
    asked = "SELECT start_t, end_t FROM logs WHERE vehicle = ? ORDER BY start_t"
    with store.read() as con:
        spans = [(micros(a), micros(b) + 1) for a, b in con.execute(asked, [vehicle]).fetchall()]
    out: list[Stretch] = []
    for a, b in spans:
        at, last = max(a, start, out[-1][1] if out else start), min(b, end)
        while at < last:
            stop = min(last, (at // DAY + 1) * DAY)
            out.append((at, stop))
            at = stop
    return out


def lazy(store: Store, vehicle: str, names: Sequence[str], start: int, end: int) -> pl.LazyFrame:
    """The same as a plan: only what a query asks for is read, a stretch at a time."""
    from polars.io.plugins import register_io_source

    def source(
        with_columns: list[str] | None, predicate: pl.Expr | None, n_rows: int | None, batch_size: int | None
    ) -> Iterator[pl.DataFrame]:
        for table in samples(store, vehicle, names, start, end):
            chosen = table if predicate is None else table.filter(predicate)
            chosen = chosen if with_columns is None else chosen.select(with_columns)
            if n_rows is not None:
                chosen = chosen.head(n_rows)
                n_rows -= chosen.height
            yield chosen
            if n_rows == 0:
                return

    return register_io_source(source, schema=pl.Schema(COLUMNS))


def means(plan: pl.LazyFrame, every: str) -> pl.DataFrame:
    """The mean of each name over each such piece of time. A value that was impossible takes no part."""
    by = [pl.col("t").dt.truncate(every), "name", "unit"]
    mean = pl.col("value").fill_nan(None).mean()
    return plan.group_by(by).agg(mean).collect(engine="streaming").select("t", "name", "value", "unit")
