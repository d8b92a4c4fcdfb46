"""Signals on the terminal: a small plot a signal in braille dots, lowest to highest of every dot column filled."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.reports.signals.window import Wire
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import from_micros

# bit of each dot of a braille cell, [row from the top][column]; Unicode 15, block U+2800
_DOTS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])
ASCII = " .:-=+*#%@"


def plot_lines(
    wires: Sequence[Wire], width: int, zone: ZoneInfo | None, rows: int = 4, ascii_only: bool = False
) -> list[str]:
    """Text lines: for each wire a heading with n, lowest and highest, then the plot; last the time axis and what has no
    sample.

    width: characters a line.  ascii_only: for terminals without braille.
    """
    drawn = [w for w in wires if len(w.t)]
    if not drawn:
        return ["nothing recorded"]
    start, end = min(int(w.t[0]) for w in drawn), max(int(w.t[-1]) for w in drawn) + 1
    margin = 10
    columns = max(10, width - margin - 1)
    out: list[str] = []
    for wire in drawn:
        out += _one(wire, (start, end), columns, margin=margin, rows=rows, ascii_only=ascii_only)
    out.append(_axis(start, end, columns, margin, zone))
    if absent := [w.name for w in wires if not len(w.t)]:
        out.append(f"nothing recorded then of {numbers.listing(absent)}")
    return out


def _one(wire: Wire, span: tuple[int, int], columns: int, *, margin: int, rows: int, ascii_only: bool) -> list[str]:
    v = wire.v.astype(np.float64)
    good = v[np.isfinite(v)]
    unit = numbers.unit(wire.unit)
    head = f"{wire.name}{f' [{unit}]' if unit else ''}  n = {v.size}"
    if not good.size:
        return [head, "  no valid value"]
    low, high = float(good.min()), float(good.max())
    if wire.states:
        seen = sorted({int(x) for x in good})
        head += "  seen: " + ", ".join(wire.states[i] for i in seen if 0 <= i < len(wire.states))
    grid = dots(wire.t, v, start=span[0], end=span[1], across=columns * 2, down=rows * 4, low=low, high=high)
    lines = _ascii(grid) if ascii_only else _braille(grid)
    ends = [_end(wire, high, margin), *[""] * (rows - 2), _end(wire, low, margin)]
    return [head, *(f"{e:>{margin}} {line}" for e, line in zip(ends, lines, strict=True))]


def _end(wire: Wire, value: float, margin: int) -> str:
    """A state by its name, cut to fit; else the number."""
    if wire.states and 0 <= int(value) < len(wire.states):
        return wire.states[int(value)][:margin]
    return numbers.number(value)


def dots(
    t: NDArray[np.int64],
    v: NDArray[np.float64],
    start: int,
    end: int,
    across: int,
    down: int,
    low: float,
    high: float,
) -> NDArray[np.bool_]:
    """Shape (down, across), row 0 on top: True from the lowest to the highest value of each column of time."""
    ok = np.isfinite(v)
    column = np.minimum((t[ok] - start) * across // max(1, end - start), across - 1)
    level = np.round((v[ok] - low) / ((high - low) or 1.0) * (down - 1)).astype(np.int64)
    least, most = np.full(across, down), np.full(across, -1)
    np.minimum.at(least, column, level)
    np.maximum.at(most, column, level)
    rows = np.arange(down)[::-1, None]
    return (rows >= least) & (rows <= most)


def _braille(grid: NDArray[np.bool_]) -> list[str]:
    down, across = grid.shape
    cells = grid.reshape(down // 4, 4, across // 2, 2)
    codes = (cells * _DOTS[None, :, None, :]).sum(axis=(1, 3))
    return ["".join(chr(0x2800 + int(code)) for code in row) for row in codes]


def _ascii(grid: NDArray[np.bool_]) -> list[str]:
    down, across = grid.shape
    share = grid.reshape(down // 4, 4, across // 2, 2).mean(axis=(1, 3))
    place = np.ceil(share * (len(ASCII) - 1)).astype(int)
    return ["".join(ASCII[p] for p in row) for row in place]


def _axis(start: int, end: int, columns: int, margin: int, zone: ZoneInfo | None) -> str:
    a = numbers.moment(from_micros(start), zone)
    b = numbers.moment(from_micros(end), zone)
    b = b[11:] if a[:10] == b[:10] else b
    name = f"({zone.key if zone else 'UTC'})"
    gap = columns - len(a) - len(b) - len(name) - 2
    return f"{'':>{margin}} {a} {name}{' ' * max(1, gap)} {b}"
