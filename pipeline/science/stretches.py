"""Stretches of time in which something holds, and reductions over them, without a loop over samples.

A set of stretches is a pair of index arrays (first, last), both included, in time order and not overlapping.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Indices, Integers, Times


@dataclass(frozen=True, slots=True)
class Stretches:
    """first, last: indices into the samples, both included."""

    first: Indices
    last: Indices

    def __len__(self) -> int:
        return int(self.first.shape[0])

    def keep(self, wanted: Bools) -> Stretches:
        return Stretches(self.first[wanted], self.last[wanted])

    def lengths_s(self, t: Times) -> Floats:
        """From first to last sample, seconds: a stretch of one sample has length 0."""
        return (t[self.last] - t[self.first]) / 1e6


def stretches(
    t: Times, on: Bools, gap_s: float = 0.5, join_s: float = 0.0, least_s: float = 0.0, least_n: int = 1
) -> Stretches:
    """Where `on` holds without a break.

    gap_s: a pause in the samples longer than this ends a stretch, whatever `on` says on both sides.
    join_s: stretches at most this far apart (last to first sample) become one, unless a pause lies between.
    least_s, least_n: shorter ones are dropped.
    """
    if not on.any():
        return Stretches(np.empty(0, np.intp), np.empty(0, np.intp))
    pause = np.diff(t) > gap_s * 1e6
    starts = on.copy()
    starts[1:] &= ~on[:-1] | pause
    ends = on.copy()
    ends[:-1] &= ~on[1:] | pause
    first, last = np.flatnonzero(starts), np.flatnonzero(ends)
    if join_s > 0 and first.size > 1:
        pauses = np.concatenate(([0], np.cumsum(pause)))
        apart = (t[first[1:]] - t[last[:-1]] > join_s * 1e6) | (pauses[first[1:]] != pauses[last[:-1]])
        first, last = first[np.concatenate(([True], apart))], last[np.concatenate((apart, [True]))]
    keep = ((t[last] - t[first]) >= least_s * 1e6) & (last - first + 1 >= least_n)
    return Stretches(first[keep], last[keep])


def owner(s: Stretches, n: int) -> Integers:
    """For each of n samples the number of the stretch it lies in, -1 outside."""
    step = np.zeros(n + 1, np.int64)
    step[s.first] += 1
    step[s.last + 1] -= 1
    inside = np.cumsum(step[:-1]) > 0
    number = np.zeros(n, np.int64)
    number[s.first] = 1
    return np.where(inside, np.cumsum(number) - 1, -1)


def sums(x: Floats, s: Stretches) -> Floats:
    """Sum of the finite values in each stretch."""
    return _totals(np.where(np.isfinite(x), x, 0.0), s) if len(s) else np.empty(0)


def _totals(x: Floats, s: Stretches) -> Floats:
    total = np.zeros(x.size + 1)
    np.cumsum(x, out=total[1:])
    return np.asarray(total[s.last + 1] - total[s.first])


def counts(on: Bools, s: Stretches) -> Integers:
    """How many samples of each stretch are on."""
    total = np.concatenate(([0], np.cumsum(on)))
    return np.asarray(total[s.last + 1] - total[s.first])


def means(x: Floats, s: Stretches, where: Bools | None = None) -> Floats:
    """Mean of the finite values in each stretch (only where `where` holds); NaN when there are none."""
    if not len(s):
        return np.empty(0)
    ok = np.isfinite(x) if where is None else np.isfinite(x) & where
    n = counts(ok, s)
    total = _totals(np.where(ok, x, 0.0), s)
    return np.asarray(np.divide(total, n, out=np.full(len(s), np.nan), where=n > 0))


def extremes(x: Floats, s: Stretches, largest: bool = True) -> Floats:
    """Largest (or smallest) finite value in each stretch; NaN when there is none."""
    if not len(s):
        return np.empty(0)
    worst = -np.inf if largest else np.inf
    filled = np.append(np.where(np.isfinite(x), x, worst), worst)
    edges = np.stack((s.first, s.last + 1), axis=1).ravel()
    reduce = np.maximum if largest else np.minimum
    found = reduce.reduceat(filled, edges)[::2]
    return np.asarray(np.where(np.isfinite(found), found, np.nan))


def first_where(on: Bools, s: Stretches) -> Indices:
    """Index of the first sample of each stretch that is on; -1 when none is."""
    hits = np.append(np.flatnonzero(on), on.size)
    found = hits[np.searchsorted(hits, s.first)]
    return np.asarray(np.where((len(hits) > 1) & (found <= s.last), found, -1))


def longest_s(t: Times, on: Bools, s: Stretches, gap_s: float = 0.5) -> Floats:
    """Longest unbroken time in each stretch for which `on` holds, seconds."""
    out = np.zeros(len(s))
    of = owner(s, t.size)
    runs = stretches(t, on & (of >= 0), gap_s)
    same = of[runs.first] == of[runs.last]  # two stretches that touch are not one run
    runs = runs.keep(same)
    if len(runs):
        np.maximum.at(out, of[runs.first], runs.lengths_s(t))
    return out


def slopes(t: Times, x: Floats, group: Integers, n_groups: int) -> tuple[Floats, Floats]:
    """Straight-line fit of x over t in each group (-1: none): slope per second and its standard error.

    Ordinary least squares; NaN with fewer than 3 finite samples or no spread in time.
    """
    ok = (group >= 0) & np.isfinite(x)
    g = group[ok]
    n = np.bincount(g, minlength=n_groups).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        seconds = (t[ok] - (t[0] if t.size else 0)) / 1e6
        dt = seconds - (np.bincount(g, seconds, n_groups) / n)[g]
        dx = x[ok] - (np.bincount(g, x[ok], n_groups) / n)[g]
        sxx = np.bincount(g, dt * dt, n_groups)
        slope = np.bincount(g, dt * dx, n_groups) / sxx
        rss = np.bincount(g, (dx - slope[g] * dt) ** 2, n_groups)
        se = np.sqrt(rss / (n - 2) / sxx)
    bad = (n < 3) | ~(sxx > 0)
    slope[bad] = np.nan
    se[bad] = np.nan
    return slope, se


def held_s(t: Times, longest_s: float = 0.5) -> Floats:
    """Seconds for which each sample stands until the next one; 0 before a pause over longest_s."""
    if t.size < 2:
        return np.zeros(t.size)
    step = np.diff(t, append=t[-1:]) / 1e6
    return np.where(step <= longest_s, step, 0.0)


def median_of_three(v: Floats) -> Floats:
    """Running median of three; the ends repeat their neighbour. NaN spread to their neighbours. v: 3 or more."""
    low, high = np.minimum(v[:-2], v[1:-1]), np.maximum(v[:-2], v[1:-1])
    middle = np.maximum(low, np.minimum(high, v[2:]))
    return np.concatenate((middle[:1], middle, middle[-1:]))


def median_of_five(v: Floats) -> Floats:
    """Running median of five, (n - 4,), by comparing pairs: of four the lowest and the highest cannot be it, nor of
    what is left and the fifth; as in any sorting network."""
    a, b, c, d, e = (v[k : v.size - 4 + k] for k in range(5))
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    return np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), e))
