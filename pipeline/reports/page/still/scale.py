"""Scales of a still picture: what an axis spans, where a value lies on it, and where its ticks stand."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from herdbook.pipeline.reports.page.figure import Spec, unpacked

Values = NDArray[np.float64]
PAD = 0.05  # of the span, beyond the outermost mark
SECOND, MINUTE, HOUR, DAY = 1e3, 6e4, 3.6e6, 8.64e7  # [ms]
_STEPS = (
    *(b * 10.0**p for p in range(3) for b in (1, 2, 5)),
    *(s * SECOND for s in (1, 2, 5, 10, 15, 30)),
    *(m * MINUTE for m in (1, 2, 5, 10, 15, 30)),
    *(h * HOUR for h in (1, 2, 3, 6, 12)),
    *(d * DAY for d in (1, 2, 4, 7, 14)),
)
_MONTHS = (1, 2, 3, 6, 12, 24, 60, 120)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Scale:
    """One axis. kind: "number", "date" (milliseconds of a wall clock) or "category". low, high: what it spans.
    backwards: high comes first. start, end: its share of the picture, from the left or from the foot."""

    kind: str
    low: float
    high: float
    names: tuple[str, ...] = ()
    backwards: bool = False
    start: float = 0.0
    end: float = 1.0

    def place(self, values: Values) -> Values:
        """From 0 at the axis' beginning to 1 at its end."""
        out = (values - self.low) / (self.high - self.low)
        return 1.0 - out if self.backwards else out

    def read(self, raw: Any) -> Values:
        """Numbers of what a trace holds: an array, a list with holes, or names."""
        return as_numbers(raw, self.names)


def as_numbers(raw: Any, names: Sequence[str] = ()) -> Values:
    """A trace's values as floats; names by their place, a hole as not-a-number."""
    if isinstance(raw, dict):
        return unpacked(raw)
    known = {name: float(i) for i, name in enumerate(names)}
    return np.array(
        [math.nan if v is None else known.get(v, math.nan) if isinstance(v, str) else float(v) for v in raw], float
    )


def scale(given: Spec, raws: Iterable[Any], extremes: Sequence[float], *, snug: bool) -> Scale:
    """The scale of an axis. raws: what its traces hold; extremes: further values that must be on it (errors, limits,
    the foot of bars); snug: no room beyond the outermost mark."""
    raws = list(raws)
    start, end = given.get("domain", (0.0, 1.0))
    backwards = given.get("autorange") == "reversed"
    if given.get("type") == "category":
        seen = dict.fromkeys(str(v) for raw in raws for v in raw)
        names = tuple(str(n) for n in given.get("categoryarray", ()) if str(n) in seen) or tuple(seen)
        return Scale("category", -0.5, max(len(names), 1) - 0.5, names, backwards, start, end)
    kind = "date" if given.get("type") == "date" else "number"
    if "range" in given:
        low, high = (float(v) for v in given["range"])
        if low > high:
            return Scale(kind, high, low, (), True, start, end)
        return Scale(kind, low, high, (), backwards, start, end)
    values = np.concatenate([as_numbers(raw) for raw in raws] + [np.array(extremes, float)])
    values = values[np.isfinite(values)]
    low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 1.0)
    if given.get("rangemode") == "tozero":
        low, high = min(low, 0.0), max(high, 0.0)
    if high <= low:
        low, high = low - 0.5, high + 0.5
    pad = 0.0 if snug else PAD * (high - low)
    zero = given.get("rangemode") == "tozero"
    return Scale(
        kind,
        low if zero and low == 0.0 else low - pad,
        high if zero and high == 0.0 else high + pad,
        (),
        backwards,
        start,
        end,
    )


def ticks(of: Scale, given: Spec, room: float) -> list[tuple[float, str]]:
    """(value, words) of each tick. room: how many of them fit."""
    if "tickvals" in given:
        shown = given["ticktext"] if "ticktext" in given else given["tickvals"]
        pairs = [(float(v), plain(str(t))) for v, t in zip(given["tickvals"], shown, strict=True)]
        return [(v, t) for v, t in pairs if of.low <= v <= of.high]
    if of.kind == "category":
        every = max(1, math.ceil(len(of.names) / room))
        return [(float(i), plain(name)) for i, name in enumerate(of.names) if i % every == 0]
    if of.kind == "date":
        return list(_date_ticks(of.low, of.high, room))
    step = nice_step((of.high - of.low) / max(1.0, room))
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first = math.ceil(of.low / step - 1e-9)
    last = math.floor(of.high / step + 1e-9)
    return [(k * step, _grouped(k * step, digits)) for k in range(first, last + 1)]


def nice_step(least: float) -> float:
    """The next larger of 1, 2, 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(least))
    return next((b * power for b in (1, 2, 5) if b * power >= least * (1 - 1e-9)), 10 * power)


def _grouped(value: float, digits: int) -> str:
    text = f"{value:,.{digits}f}".replace(",", "\u202f").replace("-", "\u2212")
    return text if float(f"{value:.{digits}f}") else f"{0:.{digits}f}"


def _date_ticks(low: float, high: float, room: float) -> Iterator[tuple[float, str]]:
    least = (high - low) / max(1.0, room)
    step = next((s for s in _STEPS if s >= least), None)
    if step is None:
        yield from _month_ticks(low, high, least)
        return
    form = "%H:%M:%S" if step < MINUTE else "%H:%M" if step < DAY else "%Y-%m-%d"
    day_before = ""
    for k in range(math.ceil(low / step), math.floor(high / step) + 1):
        at = _EPOCH + timedelta(milliseconds=k * step)
        words = at.strftime(form)
        if step < SECOND:
            words += f"{k * step % SECOND / SECOND:.3f}"[1:].rstrip("0").rstrip(".")
        day = at.strftime("%Y-%m-%d")
        if step < DAY and high - low > DAY and day != day_before:
            words = f"{day} {words}"
        day_before = day
        yield k * step, words


def _month_ticks(low: float, high: float, least: float) -> Iterator[tuple[float, str]]:
    step = next((m for m in _MONTHS if m * 30.4 * DAY >= least), _MONTHS[-1])
    begin = _EPOCH + timedelta(milliseconds=low)
    month = begin.year * 12 + begin.month - 1
    for m in range(month - month % step, month + 12 * 200, step):
        at = (datetime(m // 12, m % 12 + 1, 1, tzinfo=UTC) - _EPOCH) / timedelta(milliseconds=1)
        if at > high:
            return
        if at >= low:
            yield at, f"{m // 12:04d}-{m % 12 + 1:02d}"


def days_of(of: Scale) -> str:
    """The day or days that a time axis of a day at most shows, for its title; "" for a longer one."""
    if of.kind != "date" or of.high - of.low > DAY:
        return ""
    first, last = ((_EPOCH + timedelta(milliseconds=v)).strftime("%Y-%m-%d") for v in (of.low, of.high))
    return first if first == last else f"{first} to {last}"


def plain(text: str) -> str:
    """A label of the specification as text: its breaks as spaces, its escapes undone."""
    return html.unescape(text.replace("<br>", " "))
