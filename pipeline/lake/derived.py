"""Values that are made of several signals, or of some of a message's frames: formulas, index signals, senders.

A formula has a value wherever its first signal has one; signals of other frames count with their newest value there,
HOLD_S old at most. Everything else is read as it lies (pipeline/lake/read.py).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.lake.part import Piece
from herdbook.pipeline.vehicle.formula import Name
from herdbook.pipeline.vehicle.role_table import Mapping

HOLD_S = 2.0  # slow messages of a bus come once a second; engineering choice
Raw = tuple[NDArray[np.int64], NDArray[Any]]  # times and values in the DBC's unit


class Derived:
    """add() every piece of a log in order, then samples(). wanted: what pieces must hold, by message."""

    def __init__(self, mappings: list[Mapping], columns: Collection[str]) -> None:
        self.mappings = [m for m in mappings if all(f"{a}.{b}" in columns for a, b in m.reads) and _index(m, columns)]
        self.wanted: dict[str, set[str]] = {}
        for m in self.mappings:
            for message, signal in m.reads:
                self.wanted.setdefault(message, set()).update({signal, *_told_by(m)})
        self.pieces: dict[str, list[Piece]] = {}

    def add(self, piece: Piece) -> None:
        if piece.message in self.wanted:
            self.pieces.setdefault(piece.message, []).append(piece)

    def samples(self) -> Iterator[tuple[Mapping, Raw]]:
        """Times and raw values of every mapping, before its scale. Raw is float64, whole numbers where there is no
        formula."""
        for m in self.mappings:
            series = [self._series(m, name) for name in m.reads]
            if all(len(t) for t, _ in series):
                yield m, _combined(m, series)

    def _series(self, m: Mapping, name: Name) -> Raw:
        message, signal = name
        times, values = [], []
        for piece in self.pieces.get(message, ()):
            rows = _rows(m, piece, piece.columns[signal])
            times.append(piece.t[rows])
            values.append(piece.columns[signal].values[rows])
        if not times:
            return np.empty(0, np.int64), np.empty(0, np.float64)
        return np.concatenate(times), np.concatenate(values)


def _index(m: Mapping, columns: Collection[str]) -> bool:
    return m.when is None or f"{m.message}.{m.when[0]}" in columns


def _told_by(m: Mapping) -> set[str]:
    """Columns that say which frames count."""
    told = {m.when[0]} if m.when else set()
    return told | ({"source"} if m.source is not None else set()) | ({"channel"} if m.channel else set())


def _rows(m: Mapping, piece: Piece, column: Column) -> NDArray[np.intp]:
    """Frames of the mapping in which the signal is present."""
    there = np.ones(len(piece.t), np.bool_) if column.valid is None else column.valid.copy()
    if m.when:
        index = piece.columns[m.when[0]]
        there &= index.values == m.when[1]
        if index.valid is not None:
            there &= index.valid
    if m.source is not None:
        there &= piece.columns["source"].values == m.source
    if m.channel:
        labels = piece.columns["channel"].values
        known = [label for label in np.unique(labels) if str(label).lower() in m.channel.lower().split("|")]
        there &= np.isin(labels, known)
    return np.flatnonzero(there)


def _combined(m: Mapping, series: list[Raw]) -> Raw:
    if m.formula is None:
        return series[0]
    t = series[0][0]
    kept = np.ones(len(t), np.bool_)
    missing = np.zeros(len(t), np.bool_)
    arrays: dict[Name, NDArray[Any]] = {}
    for name, (own, raw) in zip(m.reads, series, strict=True):
        values = raw
        if own is not t and not np.array_equal(own, t):
            index = np.searchsorted(own, t, side="right") - 1
            values = raw[np.maximum(index, 0)]
            kept &= (index >= 0) & (t - own[np.maximum(index, 0)] <= int(HOLD_S * 1e6))
        arrays[name] = values
        if m.not_available:
            missing |= np.isin(values, m.not_available)
    out = m.formula.values(arrays)
    out[missing] = np.nan
    return t[kept], out[kept]
