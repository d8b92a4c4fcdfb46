"""The samples behind a thinned figure, packed small, for the page to draw when somebody zooms in.

A blob is gzip in base64 of: header length (u32), header (JSON), body. Every time base (traces of one message share it)
is kept as steps of 0.1 ms, every trace as 16-bit levels between its lowest and highest value; 65535 is a hole. Both lie
in the body byte plane by byte plane (all lowest bytes first), which gzip likes. assets/figures.js reads it.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.reports.drawing.thin import thin
from herdbook.pipeline.reports.page.figure import local_ms
from herdbook.pipeline.reports.words import numbers

MOST_BYTES = 300_000  # of base64 a figure (a dossier has 25 at most); what is more is thinned before it is packed
TICK_MS = 0.1
HOLE = 65535
LEAST_POINTS = 4_000


@dataclass(frozen=True, slots=True)
class Sampled:
    """One trace of a figure with all its samples. index: its place in the figure's data. points: drawn at once."""

    index: int
    t: Times
    v: Floats
    points: int


@dataclass(frozen=True, slots=True)
class ZoomSamples:
    """blob "": nothing to add, every sample is drawn already. held of all_of_it samples are in it."""

    blob: str = ""
    held: int = 0
    all_of_it: int = 0

    @property
    def text(self) -> str:
        if not self.blob:
            return ""
        if self.held >= self.all_of_it:
            return " Zoom in, and every sample is drawn."
        held, all_of_it = numbers.count(self.held), numbers.count(self.all_of_it)
        return f" Zoom in for more of them: this page holds {held} of {all_of_it}."


def pack_samples(traces: Sequence[Sampled], zone: ZoneInfo | None, most_bytes: int = MOST_BYTES) -> ZoomSamples:
    """Pack what a figure left out; thinned further until it fits into most_bytes."""
    thinned = [s for s in traces if len(s.v) > s.points]
    if not thinned:
        return ZoomSamples()
    all_of_it = sum(len(s.v) for s in thinned)
    points = max(len(s.v) for s in thinned)
    while True:
        blob = _blob(thinned, zone, points)
        if len(blob) <= most_bytes:
            held = sum(min(len(s.v), points) for s in thinned)
            return ZoomSamples(blob, held, all_of_it)
        points = min(points // 2, int(points * 0.9 * most_bytes / len(blob)))
        if points < LEAST_POINTS:
            return ZoomSamples()


def _blob(traces: Sequence[Sampled], zone: ZoneInfo | None, points: int) -> str:
    bodies: list[bytes] = []
    times: list[dict[str, Any]] = []
    told: list[dict[str, Any]] = []
    known: dict[bytes, int] = {}
    for s in traces:
        t, v = thin(s.t, s.v, points) if len(s.v) > points else thin(s.t, s.v, len(s.v))
        key = t.tobytes()
        if key not in known:
            known[key] = len(times)
            start, body = _steps(local_ms(t, zone))
            times.append({"n": len(t), "start": start})
            bodies.append(body)
        low, step, levels = _levels(v)
        told.append({"i": s.index, "t": known[key], "low": low, "step": step, "points": s.points})
        bodies.append(levels)
    header = json.dumps({"tick": TICK_MS, "times": times, "traces": told, "order": _order(told)}).encode()
    whole = len(header).to_bytes(4, "little") + header + b"".join(bodies)
    return base64.b64encode(gzip.compress(whole, 6, mtime=0)).decode()


def _order(told: list[dict[str, Any]]) -> list[list[int]]:
    """What lies in the body one after the other: [0, time base] or [1, trace]."""
    out: list[list[int]] = []
    seen: set[int] = set()
    for number, trace in enumerate(told):
        if trace["t"] not in seen:
            seen.add(trace["t"])
            out.append([0, trace["t"]])
        out.append([1, number])
    return out


def _steps(ms: Floats) -> tuple[float, bytes]:
    """First time [ms] and the steps from one sample to the next in ticks, as signed 32-bit byte planes."""
    ticks = np.round(ms / TICK_MS).astype(np.int64)
    steps = np.diff(ticks, prepend=ticks[:1]).clip(-(2**31), 2**31 - 1)
    return float(ticks[0] * TICK_MS), _planes(steps.astype("<i4"))


def _levels(v: Floats) -> tuple[float, float, bytes]:
    """Lowest value, value of one level, and the levels; not-a-number becomes a hole."""
    good = v[np.isfinite(v)]
    low, high = (float(good.min()), float(good.max())) if good.size else (0.0, 0.0)
    step = _own_step(good) or (high - low) / (HOLE - 1) or 1.0
    levels = np.full(v.shape, HOLE, np.int64)
    ok = np.isfinite(v)
    levels[ok] = np.round((v[ok] - low) / step)
    return low, step, _planes(levels.astype("<u2"))


def _own_step(good: Floats) -> float:
    """The resolution of a signal from the bus, so that its values come back as they were; 0 where it shows none."""
    seen = np.unique(good)
    if seen.size < 2:
        return 0.0
    step = float(np.diff(seen).min())
    ranks = (seen - seen[0]) / step
    if ranks[-1] >= HOLE or np.abs(ranks - np.round(ranks)).max() > 0.02:
        return 0.0
    return float((seen[-1] - seen[0]) / np.round(ranks[-1]))  # over the whole span: free of rounding


def _planes(values: NDArray[Any]) -> bytes:
    raw = np.ascontiguousarray(values).view(np.uint8).reshape(-1, values.dtype.itemsize)
    return raw.T.tobytes()
