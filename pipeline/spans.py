"""Arithmetic of stretches of time: joined, cut out of one another, looked up. Microseconds."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from itertools import accumulate

import numpy as np

from herdbook.pipeline.arrays import Floats, Times

Span = tuple[int, int]


def joined(spans: Iterable[Span], gap: int) -> list[Span]:
    """Spans (start, end) joined where no more than `gap` lies between them; in order."""
    out: list[Span] = []
    for start, end in sorted(spans):
        if out and start - out[-1][1] <= gap:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return out


def without(span: Span, cut_out: Iterable[Span]) -> list[Span]:
    """What is left of a span (both ends in) outside of stretches (end excluded)."""
    left = [span]
    for start, end in cut_out:
        cut = [p for a, b in left for p in ((a, min(b, start - 1)), (max(a, end), b))]
        left = [(a, b) for a, b in cut if a <= b]
    return left


def outside(samples: tuple[Times, Floats], spans: list[Span]) -> tuple[Times, Floats]:
    """Samples (t rising, v) without those inside any span (both ends in); the very same arrays where none is."""
    if not spans:
        return samples
    t = samples[0]
    keep = np.ones(len(t), bool)
    for start, end in spans:
        keep[np.searchsorted(t, start, "left") : np.searchsorted(t, end, "right")] = False
    return (t[keep], samples[1][keep]) if not keep.all() else samples


class SpanIndex:
    """Spans (end excluded), in any order and overlapping or not, by search: a long record costs no more than its
    length."""

    def __init__(self, spans: Iterable[Span]) -> None:
        self.spans = sorted(spans)
        self.starts = [a for a, _ in self.spans]
        self.reach = list(accumulate((b for _, b in self.spans), max))  # rises, also where spans overlap

    def touched_by(self, span: Span) -> list[Span]:
        """Those that a span (both ends in) touches, in order."""
        first, last = bisect_right(self.reach, span[0]), bisect_right(self.starts, span[1])
        return [s for s in self.spans[first:last] if s[1] > span[0]]
