"""Roles of a vehicle while its bus runs: newest value, age, what lay beyond its limit, and a short trend.

Frames are decoded in batches by the decoders that logs are decoded by, and become roles as the lake's samples do: what
is shown live is what a scan of the same log will find.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from herdbook.decoders import Decoder, Frames, decode
from herdbook.decoders.decoding.columns import Table
from herdbook.decoders.decoding.extract import Column
from herdbook.decoders.frames import EXTENDED
from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.bench.live.limits import Limit, limits_of
from herdbook.pipeline.lake.derived import Derived
from herdbook.pipeline.lake.part import Piece
from herdbook.pipeline.lake.read import convert
from herdbook.pipeline.times import S
from herdbook.pipeline.vehicle.mapping import Mapping
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.roles import ROLES

STEPS = 24  # of a trend
STEP_S = 2.5  # so that it shows the last minute; engineering choice
UNKNOWN_KEPT = 5000  # identifiers counted one by one
KEPT_ROWS = 64  # of a message that formulas read: enough for all pages of a multiplexed one


@dataclass(slots=True)
class Reading:
    """One item of one role. value: the newest, NaN where it is not available; t: its time, 0 before the first one.
    beyond: samples outside the limit; worst: the furthest of them. trend: a value a step, newest last."""

    role: str
    item: int | str
    limit: Limit | None
    value: float = math.nan
    t: int = 0
    beyond: int = 0
    worst: float = math.nan
    trend: deque[float] = field(default_factory=lambda: deque(maxlen=STEPS))
    _step: int = 0

    def take(self, t: Times, values: Floats) -> None:
        self.value, self.t = float(values[-1]), int(t[-1])
        if self.limit is not None:
            low, high = self.limit.low, self.limit.high
            out = np.flatnonzero((values < low) | (values > high))
            if len(out):
                self.beyond += len(out)
                far = np.maximum(low - values[out], values[out] - high)
                worst = float(values[out[int(np.argmax(far))]])
                if math.isnan(self.worst) or self._excess(worst) > self._excess(self.worst):
                    self.worst = worst
        step = int(self.t / (STEP_S * S))
        missed = min(step - self._step, STEPS) if self._step else 1
        if missed > 0:
            self.trend.extend([math.nan] * (missed - 1) + [self.value])
            self._step = step
        else:
            self.trend[-1] = self.value

    def _excess(self, value: float) -> float:
        assert self.limit is not None
        return max(self.limit.low - value, value - self.limit.high)


class Newest:
    """take() batches of frames in order. readings: by (role, item), in the order of the profile's roles."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.decoder = Decoder(profile.network())
        limits = limits_of(profile)
        shown = [m for m in profile.roles if ROLES[m.role].unit != "id"]
        self.readings = {(m.role, m.item): Reading(m.role, m.item, limits.get(m.role)) for m in shown}
        self._plain: dict[str, list[Mapping]] = {}
        for m in shown:
            if m.plain:
                self._plain.setdefault(m.message, []).append(m)
        self._derived = [m for m in shown if not m.plain]
        self._reads = {message for m in self._derived for message, _ in m.reads}
        self._last: dict[str, Piece] = {}
        self._columns = _columns(profile)
        self._warm_up()

    def _warm_up(self) -> None:
        """Decode nothing once, so that the first frames do not wait for what is made at first use."""
        messages = self.profile.network().messages
        n = len(messages)
        nothing = Frames(
            t=np.zeros(n, np.int64),
            channel=np.zeros(n, np.uint8),
            can_id=np.array([m.can_id for m in messages], np.uint32),
            flags=np.array([EXTENDED if m.extended else 0 for m in messages], np.uint8),
            length=np.full(n, 8, np.uint8),
            payload=np.zeros((n, 64), np.uint8),
            channels=("",),
        )
        decode(nothing, self.profile.network())

    @property
    def unknown(self) -> int:
        """Frames whose identifier no DBC file of the profile has."""
        tally = self.decoder.tally
        return tally.frames - tally.known - tally.error - tally.remote

    def take(self, frames: Frames) -> None:
        self.decoder.add(frames)
        if len(self.decoder.tally.unknown) > UNKNOWN_KEPT:  # a bus of nothing but noise
            self.decoder.tally.unknown.clear()
        tables = self.decoder.arrays()
        for message, table in tables.items():
            for m in self._plain.get(message, ()):
                if (column := table.columns.get(m.signal)) is not None:
                    self._enter(m, *_there(table, column))
        self._take_derived(tables)

    def _enter(self, m: Mapping, t: Times, raw: Any) -> None:
        if len(t):
            self.readings[m.role, m.item].take(t, convert(raw, m))

    def _take_derived(self, tables: dict[str, Table]) -> None:
        """Values made of several signals: with the last rows of each message from before, as the lake holds it."""
        fresh = [name for name in tables if name in self._reads]
        if not fresh:
            return
        since = {name: int(p.t[-1]) for name, p in self._last.items()}
        some = [m for m in self._derived if m.message in fresh]
        derived = Derived(some, self._columns)
        for name in self._reads:
            pieces = [self._last[name]] if name in self._last else []
            if name in tables:
                pieces.append(_piece(name, tables[name]))
            for piece in pieces:
                derived.add(piece)
        for m, (t, raw) in derived.samples():
            new = t > since.get(m.message, -1)
            self._enter(m, t[new], raw[new])
        for name in fresh:
            self._last[name] = _piece(name, tables[name].take(slice(-KEPT_ROWS, None)))


def _there(table: Table, column: Column) -> tuple[Times, Any]:
    if column.valid is None:
        return table.t, column.values
    return table.t[column.valid], column.values[column.valid]


def _piece(message: str, table: Table) -> Piece:
    columns = dict(table.columns)
    if table.channel is not None:
        labels: Any = np.array(table.labels, np.str_)[table.channel]
        columns["channel"] = Column(labels)
    if table.source is not None:
        columns["source"] = Column(table.source)  # type: ignore[arg-type]
    return Piece(message, table.t, columns)


def _columns(profile: Profile) -> set[str]:
    return {f"{m.name}.{s.name}" for m in profile.network().messages for s in m.signals}
