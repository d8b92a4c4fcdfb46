"""Signals of a unit between two times, written as a figure to look at or as a table for other tools."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import SettingsError
from pipeline.reports import page, words
from pipeline.reports.figure import DASHES, LINES, Figure, Spec, axis, label, layout, local_ms, packed
from pipeline.reports.panels import PANEL_PX
from pipeline.reports.thin import thin
from pipeline.reports.traces import POINTS, STEPPED, thinned_words
from pipeline.reports.wires import Wire, gather

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    import polars as pl

    from pipeline.store import Store

MOST_WIRES = 40  # in one figure; tables take any number


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
        ".csv": lambda wires, path: table(wires, every_s, start, end).write_csv(path),
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
        return page.write(path, figure_page(vehicle, wires, words.zone_of(zone), points or POINTS))
    if points:
        wires = [_thinned(wire, points) for wire in wires]
    draft = path.with_name(f".{path.stem}.part{path.suffix}")
    try:
        writers[path.suffix.lower()](wires, draft)
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
    return path


def _thinned(wire: Wire, points: int) -> Wire:
    from pipeline.reports.thin import keep

    kept = keep(wire.v.astype(np.float64), points)
    return Wire(wire.name, wire.unit, wire.t[kept], wire.v[kept], wire.states)


def table(wires: list[Wire], every_s: float | None, start: int, end: int) -> pl.DataFrame:
    """Column t (UTC) and one a wire, named "name [unit]"; null where a wire has no sample at that instant."""
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
    return frame.with_columns(pl.col("t").cast(pl.Datetime("us", "UTC")))


def _held(wire: Wire, grid: np.ndarray[Any, Any], hold_s: float = 2.0) -> np.ndarray[Any, Any]:
    from pipeline.signals import Signals

    whole = Signals("", int(grid[0]) if grid.size else 0, 0, {("pack_current", ""): wire.floats()})
    return whole.at(grid, "pack_current", hold_s=hold_s)


def _write_mf4(wires: list[Wire], path: Path) -> None:
    try:
        from asammdf import MDF, Signal
    except ImportError:
        raise SettingsError("writing MF4 needs asammdf", path, "Install it with: pip install 'herdbook[mf4]'") from None
    from datetime import UTC

    begin = min(int(w.t[0]) for w in wires if len(w.t))
    with MDF(version="4.10") as mdf:
        mdf.header.start_time = words.from_micros(begin).replace(tzinfo=UTC)
        for wire in wires:
            samples = wire.v if wire.v.dtype.kind in "iu" else wire.v.astype(np.float64)
            seconds = (wire.t - begin) / 1e6
            mdf.append([Signal(samples, seconds, name=wire.name, unit=wire.unit)], comment="herdbook")
        mdf.save(path, overwrite=True)


def figure_page(vehicle: str, wires: list[Wire], zone: ZoneInfo | None, points: int) -> str:
    figure = _figure(vehicle, [w for w in wires if len(w.t)][:MOST_WIRES], zone, points)
    left_out = max(0, len(wires) - MOST_WIRES)
    return page.render(
        "signals.html.j2",
        ("figures.js",),
        drawing=True,
        vehicle=vehicle,
        figure=figure,
        left_out=left_out,
        zone=zone.key if zone else "UTC",
    )


def _figure(vehicle: str, wires: list[Wire], zone: ZoneInfo | None, points: int) -> Figure:
    """One panel a unit and role, in the order asked for, over one time axis."""
    groups: dict[str, list[Wire]] = {}
    for wire in wires:
        groups.setdefault(wire.name.split("[")[0], []).append(wire)
    data: list[Spec] = []
    axes: dict[str, Spec] = {}
    count, drawn, held = len(groups), 0, 0
    for index, (name, members) in enumerate(groups.items()):
        y = "y" if index == 0 else f"y{index + 1}"
        bottom = 1 - (index + 1) / count
        axes["yaxis" + y[1:]] = _panel_axis(name, members[0], [bottom + 0.02, bottom + 1 / count - 0.02])
        for order, wire in enumerate(members):
            trace, kept = _trace(wire, order, zone, points)
            data.append(trace | {"yaxis": y})
            drawn, held = drawn + kept, held + len(wire.t)
    x = axis(
        f"Time ({zone.key if zone else 'UTC'})",
        type="date",
        anchor="y" if count == 1 else f"y{count}",
        showspikes=True,
        spikemode="across",
        spikethickness=1,
        spikecolor="@muted",
        spikedash="solid",
    )
    height = 100 + PANEL_PX * count
    spec = {
        "data": data,
        "layout": layout(height, xaxis=x, hovermode="x unified", hoversubplots="axis", **axes),
    }
    body = [_numbers(wire) for wire in wires]
    head = ("Signal", "Unit", "Lowest", "Median", "Highest", "Samples")
    alt = f"Line chart of {words.listing(list(groups))} of {vehicle} against time."
    return Figure(
        "signals",
        f"{vehicle}: {words.listing(list(groups))}",
        alt,
        spec,
        thinned_words(drawn, held),
        head=head,
        body=body,
        height=height,
    )


def _panel_axis(name: str, first: Wire, domain: list[float]) -> Spec:
    shown = words.unit(first.unit)
    y = axis("", domain=domain)
    y["title"] = {"text": label(name) + (f"<br>[{label(shown)}]" if shown else ""), "font": {"size": 11}}
    if first.states:
        y |= {"tickvals": list(range(len(first.states))), "ticktext": list(first.states)}
    return y


def _trace(wire: Wire, order: int, zone: ZoneInfo | None, points: int) -> tuple[Spec, int]:
    t, v = thin(wire.t, wire.v.astype(np.float64), points)
    line = {
        "color": LINES[order % 6],
        "width": 1.3,
        "dash": DASHES[order // 6 % 6],
        "shape": "hv" if wire.unit in STEPPED else "linear",
    }
    return {
        "type": "scatter",
        "mode": "lines",
        "name": label(wire.name),
        "x": packed(local_ms(t, zone)),
        "y": packed(v),
        "line": line,
        "connectgaps": False,
        "hovertemplate": f"%{{y:.5g}} {label(words.unit(wire.unit))}",
    }, int(np.count_nonzero(~np.isnan(v)))


def _numbers(wire: Wire) -> tuple[str, ...]:
    good = wire.v[np.isfinite(wire.v.astype(np.float64))].astype(np.float64)
    if not good.size:
        return wire.name, words.unit(wire.unit), "", "", "", "0"
    low, mid, high = (words.number(float(x)) for x in (good.min(), np.median(good), good.max()))
    return wire.name, words.unit(wire.unit), low, mid, high, str(good.size)
