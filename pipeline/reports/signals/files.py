"""Signals of a unit between two times, written as a figure to look at or as a table for other tools."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.extras import missing
from herdbook.pipeline.reports.drawing.thin import keep
from herdbook.pipeline.reports.drawing.traces import POINTS
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.signals.page import figure_page
from herdbook.pipeline.reports.signals.window import Wire, gather
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.reports.words.csv_cells import write_frame
from herdbook.pipeline.store.whole_file import whole
from herdbook.pipeline.times import from_micros

if TYPE_CHECKING:
    import polars as pl

    from herdbook.pipeline.store.store import Store


def write_signals(
    store: Store,
    vehicle: str,
    names: Sequence[str],
    start: int,
    end: int,
    out: Path | str,
    points: int | None = None,
    every_s: float | None = None,
    zone: str | None = None,
) -> Path:
    """Write signals between start and end (microseconds UTC, end excluded); the file written.

    names: roles, items of roles, or signals by their DBC name (see wires.py).
    out: ends in .html (figure), .parquet, .csv or .mf4.
    points: thin each signal to about so many samples, spikes kept (default: full; a figure thins itself).
    every_s: put all signals on one grid of that step, holding the last value for up to 2 s (tables only).
    Raises: NotKnownError, StoreError, SettingsError.
    """
    writers: dict[str, Callable[[list[Wire], Path], None]] = {
        ".parquet": lambda wires, path: table(wires, every_s, start, end).write_parquet(path),
        ".csv": lambda wires, path: write_frame(path, table(wires, every_s, start, end)),
        ".mf4": _write_mf4,
    }
    path = Path(out)
    if path.suffix.lower() != ".html" and path.suffix.lower() not in writers:
        raise SettingsError(
            f"no signals are written as {path.suffix!r}", path, "End it in .html, .parquet, .csv or .mf4"
        )
    wires = gather(store, vehicle, names, start, end)
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix.lower() == ".html":
        return html.write(path, figure_page(vehicle, wires, numbers.zone_of(zone), points or POINTS))
    if points:
        wires = [_thinned(wire, points) for wire in wires]
    with whole(path) as draft:
        writers[path.suffix.lower()](wires, draft)
    return path


def _thinned(wire: Wire, points: int) -> Wire:
    kept = keep(wire.v.astype(np.float64), points)
    return Wire(wire.name, wire.unit, wire.t[kept], wire.v[kept], wire.states)


def table(wires: list[Wire], every_s: float | None, start: int, end: int) -> pl.DataFrame:
    """Column t (UTC) and one a wire, named "name [unit]"; null where a wire has no sample at that instant.

    States are given by name."""
    import polars as pl

    columns = [f"{w.name} [{w.unit}]" if w.unit not in ("", "state", "bits", "id") else w.name for w in wires]
    if every_s is not None:
        grid = np.arange(start, end, max(1, round(every_s * 1e6)), dtype=np.int64)
        held = {c: _held(w, grid) for c, w in zip(columns, wires, strict=True)}
        frame = pl.DataFrame({"t": grid} | held).fill_nan(None)
    else:
        frame = pl.DataFrame({"t": np.unique(np.concatenate([w.t for w in wires]))})
        for column, wire in zip(columns, wires, strict=True):
            own = pl.DataFrame({"t": wire.t, column: wire.v}).fill_nan(None)
            frame = frame.join(own, on="t", how="left", maintain_order="left")
    named = [
        pl.col(column).replace_strict({float(i): name for i, name in enumerate(wire.states)}, default=None)
        for column, wire in zip(columns, wires, strict=True)
        if wire.states
    ]
    return frame.with_columns(pl.col("t").cast(pl.Datetime("us", "UTC")), *named)


def _held(wire: Wire, grid: np.ndarray[Any, Any], hold_s: float = 2.0) -> np.ndarray[Any, Any]:
    from herdbook.pipeline.vehicle.signals import Signals

    whole = Signals("", int(grid[0]) if grid.size else 0, 0, {("pack_current", ""): wire.floats()})
    return whole.at(grid, "pack_current", hold_s=hold_s)


def _write_mf4(wires: list[Wire], path: Path) -> None:
    try:
        from asammdf import MDF, Signal
    except ImportError:
        raise missing("asammdf", "writing MF4", path) from None
    from datetime import UTC

    begin = min(int(w.t[0]) for w in wires if len(w.t))
    with MDF(version="4.10") as mdf:
        mdf.header.start_time = from_micros(begin).replace(tzinfo=UTC)
        for wire in wires:
            samples = wire.v if wire.v.dtype.kind in "iu" else wire.v.astype(np.float64)
            seconds = (wire.t - begin) / 1e6
            mdf.append([Signal(samples, seconds, name=wire.name, unit=wire.unit)], comment="herdbook")
        mdf.save(path, overwrite=True)
