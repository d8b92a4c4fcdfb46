"""How a brake follows its demand in time: late, or suddenly gone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Times
from herdbook.pipeline.science.robust_fit import STEP_SD
from herdbook.pipeline.science.stretches import Stretches, means, owner, stretches

GONE_S = 0.2  # gone for less could be one lost frame
COLLAPSE_S = 0.3  # a limiter's taper takes longer
# Of half of what was asked: less is a refusal, and no delay (engineering choice, made after a weak brake of an outside
# simulation had been called late).
LEAST_GIVEN = 0.3
# A current that answers later than this is no answer any more (engineering choice, made after a late brake of an
# outside simulation, tapped ten times a second to hold its speed, had been timed as quick).
QUIET_US = 1_000_000
BEFORE_US = 500_000  # frames further apart do not tell when something happened between them (engineering choice)


@dataclass(frozen=True, slots=True)
class Delays:
    """Seconds per braking, NaN where there is none; se: what the frames leave open; frame_s: time between the two
    frames of the delivery. What a frame says may be as old as that when it is sent, in every braking alike."""

    seconds: Floats
    se: Floats
    frame_s: Floats


@dataclass(frozen=True, slots=True)
class Track:
    """A current as its own frames tell it: t microseconds, v A."""

    t: Times
    v: Floats


def response_s(demand: Track, delivered: Track, half_a: Floats, start: Times, end: Times) -> Delays:
    """Delay from demand to delivery at half height, per braking, seconds.

    half_a: half of the largest target early in each braking; NaN: not to be timed. start, end: of each braking; demand
    may rise in the frame before. When the demand's frames pass half_a, against when those of the delivered current pass
    that or, where a weak brake never gives as much, half of what it gives: too little is not too late. Each between the
    last frame below and the first above it, straight between the two, so that slow frames neither delay it nor hide a
    quick pull; where in between stays open. NaN when the braking was cut into (no frame below comes
    before), when delivery never passes: a refusal is no delay, or when the demand fell within QUIET_US before: what
    comes then may still answer the pull before.
    """
    seconds, se, frame_s = np.full((3, half_a.size), np.nan)
    for k in np.flatnonzero(np.isfinite(half_a)):
        asked = _passes(demand, half_a[k], int(start[k]) - BEFORE_US, int(end[k]))
        if asked is None or _fell(demand, asked, float(half_a[k])):
            continue
        level = min(float(half_a[k]), 0.5 * _most(delivered, int(asked.below), int(end[k])))
        if not level >= LEAST_GIVEN * half_a[k]:
            continue
        given = _passes(delivered, level, int(asked.below), int(end[k]))
        if given is not None and given.t >= asked.t - (asked.gap_us + given.gap_us):
            seconds[k], frame_s[k] = (given.t - asked.t) / 1e6, given.gap_us / 1e6
            # a step may lie anywhere between two frames; a rise over several is nearly straight between them, and bends
            # by the square of its share
            ways = ((asked, float(half_a[k])), (given, level))
            by_asked, by_given = (p.gap_us * min(p.rise / (2.0 * half), 1.0) ** 2 for p, half in ways)
            se[k] = STEP_SD * np.hypot(by_asked, by_given) / 1e6
    return Delays(seconds, se, frame_s)


def _fell(demand: Track, asked: _Passing, half_a: float) -> bool:
    """Whether the demand fell by half of half_a or more within QUIET_US before it passed."""
    first, last = np.searchsorted(demand.t, (asked.t - QUIET_US, asked.t), side="left")
    before = demand.v[first:last]
    return before.size > 0 and bool(np.nanmax(np.fmax.accumulate(before) - before, initial=0.0) >= 0.5 * half_a)


def _most(track: Track, start: int, end: int) -> float:
    """What the track gives for a tenth of the time at least; NaN without a frame."""
    first, last = np.searchsorted(track.t, (start, end), side="right")
    known = track.v[first:last][np.isfinite(track.v[first:last])]
    return float(np.percentile(known, 90.0)) if known.size else np.nan


@dataclass(frozen=True, slots=True)
class _Passing:
    t: float  # us
    below: int  # time of the last frame below
    gap_us: float
    rise: float  # of the current between the two frames


def _passes(track: Track, level: float, start: int, end: int) -> _Passing | None:
    """First passing upwards from `start` on; None without a frame below that belongs to the same stretch."""
    first, last = np.searchsorted(track.t, (start, end), side="right")
    first = max(int(first) - 1, 0)  # the frame that still holds at `start`
    with np.errstate(invalid="ignore"):
        above = track.v[first:last] >= level
    k = first + int(np.argmax(above)) if above.any() else 0
    if k <= first or not track.v[k - 1] < level:
        return None
    gap = int(track.t[k] - track.t[k - 1])
    if gap > BEFORE_US:
        return None
    rise = float(track.v[k] - track.v[k - 1])
    share = (level - track.v[k - 1]) / rise
    return _Passing(float(track.t[k - 1] + share * gap), int(track.t[k - 1]), float(gap), rise)


@dataclass(frozen=True, slots=True)
class Braked:
    """Samples of brakings. fast: where speed leaves no excuse."""

    t: Times
    demand_a: Floats
    allowed_a: Floats  # NaN where it is not known
    delivered_a: Floats
    fast: Bools


def dropouts(b: Braked, s: Stretches, least_a: float, delay_s: float) -> Stretches:
    """Where a brake that was delivering is suddenly gone, the demand held.

    Gone: under 15 % of the demand, for at least GONE_S and three samples. Within the COLLAPSE_S before, in the same
    braking, it delivered at least half of what was asked and allowed, and since then its current fell to less than a
    third: a brake that lets go as soon as it has come has let go as well. Meanwhile the demand did not fall by more
    than a fifth, nor blink within the usual delay_s of this brake before: a late brake repeats a blink of the lever,
    and the pull before this one. least_a: smaller demands are not looked at, nor smaller currents lost.
    """
    with np.errstate(invalid="ignore"):
        gone = (b.delivered_a < 0.15 * b.demand_a) & (b.demand_a >= least_a) & b.fast
    of = owner(s, b.t.size)
    runs = stretches(b.t, gone & (of >= 0), least_s=GONE_S, least_n=3)
    if not len(runs):
        return runs
    after = means(b.delivered_a, runs)
    kept = [
        of[first] == of[last] and _let_go(b, s, int(of[first]), int(first), given, least_a, delay_s)
        for first, last, given in zip(runs.first, runs.last, after.tolist(), strict=True)
    ]
    return runs.keep(np.array(kept, bool))


def _let_go(b: Braked, s: Stretches, which: int, lost: int, left_a: float, least_a: float, delay_s: float) -> bool:
    """which: braking; lost: first sample without current; left_a: mean of what flows then."""
    begin = int(s.first[which])
    first = max(int(np.searchsorted(b.t, b.t[lost] - int(COLLAPSE_S * 1e6), side="right")) - 1, begin)
    given = b.delivered_a[first:lost]
    wanted = np.fmin(b.demand_a[first:lost], b.allowed_a[first:lost])
    with np.errstate(invalid="ignore"):
        flowed = np.flatnonzero((given >= 0.5 * wanted) & (given >= least_a) & (left_a < 0.33 * given))
    if not flowed.size:
        return False
    best = first + int(flowed[np.argmax(given[flowed])])
    answered = b.t[best] - int(delay_s * 1e6)
    quiet = which == 0 or b.t[begin] - b.t[s.last[which - 1]] > QUIET_US
    if answered < b.t[begin] and not quiet:  # what flowed may still be the answer to the pull before
        return False
    asked = b.demand_a[max(int(np.searchsorted(b.t, answered, side="right")) - 1, begin) : lost + 1]
    top = np.fmax.accumulate(asked)
    with np.errstate(invalid="ignore"):
        return bool(b.demand_a[lost] >= 0.8 * b.demand_a[best] and not (asked < 0.5 * top).any())
