"""Samples of one signal from several logs: each counted once, however the logs overlap.

The same frames in two logs (uploaded twice, cut anew) have equal times and are merged one by one. Two loggers that
heard the same message with clocks of their own show about twice the message's rate; then, where they overlap, the
log with more samples speaks and the other is silent.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats, Times

Samples = tuple[Times, Floats]
DOUBLED = 1.5  # times the expected number of samples from which on two logs heard the same frames; engineering choice


class SharedTimes:
    """Signals of one message share their times: what was found out about these is found out once."""

    def __init__(self) -> None:
        self.known: dict[tuple[int, ...], tuple[list[Times], Times | None]] = {}

    def rising(self, pieces: list[Samples]) -> Times | None:
        """The pieces' times in one, in order of their first, when that is strictly rising; else None."""
        arrays = [p[0] for p in pieces]
        key = tuple(map(id, arrays))
        if key not in self.known:
            t = arrays[0] if len(arrays) == 1 else np.concatenate(arrays)
            self.known[key] = (arrays, t if bool((t[1:] > t[:-1]).all()) else None)  # arrays: so that ids stay theirs
        return self.known[key][1]


def merge(pieces: list[Samples], cycle_us: float | None, times: SharedTimes | None = None) -> Samples:
    """One strictly rising series out of the pieces, whatever their order.

    pieces: (t, v) of one signal, each sorted by t. cycle_us: the message's declared cycle time, None when unknown.
    times: what other signals with the very same arrays of times have shown. Of several values at one time the
    lowest is kept, NaN last.
    """
    pieces = sorted((p for p in pieces if len(p[0])), key=lambda p: (int(p[0][0]), int(p[0][-1]), len(p[0])))
    if not pieces:
        return np.empty(0, np.int64), np.empty(0, np.float64)
    t = (times or SharedTimes()).rising(pieces)
    if t is not None:
        return t, pieces[0][1] if len(pieces) == 1 else np.concatenate([p[1] for p in pieces])
    if len(pieces) > 1:
        ends = np.maximum.accumulate([int(t[-1]) for t, _ in pieces])
        if any(int(t[0]) <= end for (t, _), end in zip(pieces[1:], ends, strict=False)):
            pieces = _without_second_hearing(pieces, cycle_us)
    t, v = np.concatenate([p[0] for p in pieces]), np.concatenate([p[1] for p in pieces])
    step = np.diff(t)
    if (step > 0).all():
        return t, v
    order = np.lexsort((v, t)) if len(pieces) > 1 or (step < 0).any() else np.arange(len(t))
    t, v = t[order], v[order]
    first = np.concatenate(([True], np.diff(t) > 0))
    return t[first], v[first]


def _without_second_hearing(pieces: list[Samples], cycle_us: float | None) -> list[Samples]:
    kept: list[Samples] = []
    for piece in pieces:
        for i, other in enumerate(kept):
            piece, kept[i] = _resolved(piece, other, cycle_us)
        kept.append(piece)
    return [p for p in kept if len(p[0])]


def _resolved(one: Samples, two: Samples, cycle_us: float | None) -> tuple[Samples, Samples]:
    """Both, with the poorer one silenced where they overlap if they heard the same frames with different clocks."""
    if not len(one[0]) or not len(two[0]):
        return one, two
    low, high = max(one[0][0], two[0][0]), min(one[0][-1], two[0][-1])
    if low > high:
        return one, two
    (a, b), (c, d) = _window(one, low, high), _window(two, low, high)
    n_one, n_two = b - a, d - c
    same = len(np.intersect1d(one[0][a:b], two[0][c:d], assume_unique=False))
    rest = min(n_one, n_two) - same
    expected = (high - low) / cycle_us + 1 if cycle_us else max(n_one, n_two)
    if rest <= same or n_one + n_two - same <= DOUBLED * expected:
        return one, two
    if (n_one, one[0][a:b].tolist()[:1]) > (n_two, two[0][c:d].tolist()[:1]):
        return one, _cut(two, c, d)
    return _cut(one, a, b), two


def _window(samples: Samples, low: int, high: int) -> tuple[int, int]:
    return int(np.searchsorted(samples[0], low, "left")), int(np.searchsorted(samples[0], high, "right"))


def _cut(samples: Samples, a: int, b: int) -> Samples:
    return np.delete(samples[0], slice(a, b)), np.delete(samples[1], slice(a, b))
