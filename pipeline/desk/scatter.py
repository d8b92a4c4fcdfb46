"""One signal against another over a stretch of time: how often each pair came, in a fine grid, none left out."""

from __future__ import annotations

from typing import Any

import numpy as np
from starlette.responses import JSONResponse, Response

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.desk.asked import step
from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.lines import asked_for, estimate
from herdbook.pipeline.desk.pack_names import plain_names
from herdbook.pipeline.desk.same_signals import pairs_sql, statements
from herdbook.pipeline.desk.tables import copies
from herdbook.pipeline.desk.window import known_names, record_of, stretch_of
from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.reports.signals.window import Wire, gather
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import from_micros, micros

COLUMNS, ROWS = 240, 180  # cells of the grid
MOST = 4_000_000  # samples of either signal: what is held in memory at once
HOLD_S = 2.0  # the value of y at a sample of x is its newest, so old at most


def page(asked: Asked) -> Response:
    vehicle = asked.one("v")
    record, moments = record_of(asked, vehicle)
    stretch = stretch_of(asked, record, moments)
    names = asked.many("s")
    zone = numbers.zone_of(record["zone"] or asked.store.settings.zone)
    return asked.page(
        "scatter.html.j2",
        vehicle=vehicle,
        stretch=stretch,
        names=names,
        x=asked.one("x") or (names[0] if names else "pack_current"),
        y=asked.one("y") or (names[1] if len(names) > 1 else "pack_voltage"),
        known=known_names(asked, record["profile"]),
        span=numbers.span(stretch.start, stretch.end, zone),
        zone=zone.key if zone else "UTC",
    )


def data(asked: Asked) -> Response:
    vehicle = asked.one("v")
    record, moments = record_of(asked, vehicle)
    stretch = stretch_of(asked, record, moments)
    start, end = micros(stretch.start), micros(stretch.end)
    names = [asked.one("x"), asked.one("y")]
    if not all(names):
        raise SettingsError("two signals are needed", do="Choose one for each axis")
    names = [plain_names(asked.store, vehicle, [name])[0] for name in names]
    found, wrong = asked_for(names)
    if wrong:
        raise SettingsError(" ".join(wrong), do="Choose one for each axis")
    n, _ = estimate(asked.store, vehicle, found, start, end)
    if n > MOST:
        raise SettingsError(f"about {n:,} samples lie in this stretch", do=f"Choose a shorter one, up to {MOST:,}")
    step(0, 2, "signals read")
    x = _one(gather(asked.store, vehicle, names[:1], start, end), names[0])
    step(1, 2, "signals read")
    y = _one(gather(asked.store, vehicle, names[1:], start, end), names[1])
    step(2, 2, "signals read")
    out = as_json(x, y) | {"start": str(from_micros(start)), "end": str(from_micros(end))}
    return JSONResponse(out | {"copies": _copies(asked, vehicle, (x.name, y.name), start, end)})


def _copies(asked: Asked, vehicle: str, names: tuple[str, str], start: int, end: int) -> dict[str, str]:
    """Every pair, one a row."""
    found = statements(asked.store, vehicle, asked_for(names)[0], start, end)
    of = dict(found)
    if not all(name in of for name in names):
        return {}
    made = copies(asked.store.folder, pairs_sql(*((name, of[name]) for name in names)))
    return {"command": made.command, "sql": made.sql, "python": made.python}


def _one(wires: list[Wire], name: str) -> Wire:
    filled = [w for w in wires if len(w.t)]
    if not filled:
        raise NotKnownError(f"nothing of {name} was recorded in this stretch", do="Choose another stretch or signal")
    return filled[0]


def as_json(x: Wire, y: Wire) -> dict[str, Any]:
    a, b = pairs(x.t, x.v.astype(np.float64), y.t, y.v.astype(np.float64))
    if not a.shape[0]:
        do = f"A pair needs a sample of {y.name} at most {HOLD_S:g} s before one of {x.name}"
        raise NotKnownError("the two signals were never recorded together in this stretch", do=do)
    ends = [float(f(v)) for v in (a, b) for f in (np.min, np.max)]
    column, row, n = grid(a, b)
    return {
        "x": {"name": x.name, "unit": numbers.unit(x.unit), "low": ends[0], "high": ends[1], "states": list(x.states)},
        "y": {"name": y.name, "unit": numbers.unit(y.unit), "low": ends[2], "high": ends[3], "states": list(y.states)},
        "columns": COLUMNS,
        "rows": ROWS,
        "cells": [column.tolist(), row.tolist(), n.tolist()],
        "n": int(a.shape[0]),
        "of": len(x.t),
    }


def pairs(xt: Times, xv: Floats, yt: Times, yv: Floats) -> tuple[Floats, Floats]:
    """Values of both where both are known: at each sample of x the newest of y, HOLD_S old at most."""
    index = np.searchsorted(yt, xt, side="right") - 1
    kept = (index >= 0) & (xt - yt[np.maximum(index, 0)] <= int(HOLD_S * 1e6))
    a, b = xv[kept], yv[index[kept]]
    good = np.isfinite(a) & np.isfinite(b)
    return a[good], b[good]


def grid(a: Floats, b: Floats) -> tuple[Times, Times, Times]:
    """Column, row and count of every cell that holds a pair; the outermost pairs lie in the outermost cells."""
    column, row = _place(a, COLUMNS), _place(b, ROWS)
    cells, n = np.unique(column * ROWS + row, return_counts=True)
    return cells // ROWS, cells % ROWS, n


def _place(v: Floats, cells: int) -> Times:
    low, high = float(v.min()), float(v.max())
    if low == high:
        return np.full(v.shape, cells // 2, np.int64)
    return np.minimum(((v - low) / (high - low) * cells).astype(np.int64), cells - 1)
