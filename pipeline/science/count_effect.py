"""Did it make a thing rarer? Counts of those that got something, before and after, against those that did not.

Each unit is compared with itself: of its events before and after together, the share that falls after depends neither
on how prone the unit is nor on how long both were watched, only on how the rates changed. So the ratio of the two
changes (of those with it, and of those without) is a ratio of odds. Its interval is that of the score: all ratios that
the data do not refute, which holds for few and for no events, where a logarithm has none. Events of one unit may hang
together: the variance is as many times that of independent counts as whole units scatter more than those would.
Sources: J. Hausman, B. Hall, Z. Griliches, Econometrica 52 (1984) 909 (counts compared within units); J. Wooldridge,
J. Econometrics 90 (1999) 77 (they need not be Poisson); C. R. Rao, Proc. Camb. Phil. Soc. 44 (1948) 50 (score); R.
Wedderburn, Biometrika 61 (1974) 439 (scatter beyond that of counts). The one thing no data show, that both had gone on
alike, is as in before_after.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, exp, inf, sqrt

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats

Z95 = 1.959963984540054
FARTHEST = 9.0  # powers of e of the ratio looked at: beyond 1/8000 and 8000 an end is as good as none
STEP = 0.1
ROUNDS = 60


@dataclass(frozen=True, slots=True)
class CountEffect:
    """treated, controls: units watched on both sides. before, after, control_before, control_after: their events (of
    controls around several dates the mean). change, control_change: rate after over rate before. ratio: the one over
    the other, with its 95 % interval (0 and inf where an end is open) and p; NaN where neither has a value."""

    treated: int
    controls: int
    before: float
    after: float
    control_before: float
    control_after: float
    change: float
    control_change: float
    ratio: float
    low: float
    high: float
    p: float


@dataclass(frozen=True, slots=True)
class Counts:
    """Events and time watched, before and after, of units; arrays (n,). watched above 0. got: which had it."""

    before: Floats
    after: Floats
    watched_before: Floats
    watched_after: Floats
    got: Bools


def count_effect(counts: Counts) -> CountEffect | None:
    """None with under two units of either kind. Raises: ValueError for a unit that was not watched on both sides."""
    if np.any((counts.watched_before <= 0) | (counts.watched_after <= 0)):
        raise ValueError("a unit counts when it was watched before and after")
    treated, controls = int(counts.got.sum()), int((~counts.got).sum())
    if treated < 2 or controls < 2:
        return None
    changes = [_change(counts, side) for side in (counts.got, ~counts.got)]
    ratio = exp(changes[0][1] - changes[1][1]) if all(np.isfinite(c[1]) for c in changes) else _open(*changes)
    low, high = _interval(counts)
    return CountEffect(
        treated=treated,
        controls=controls,
        before=float(counts.before[counts.got].sum()),
        after=float(counts.after[counts.got].sum()),
        control_before=float(counts.before[~counts.got].sum()),
        control_after=float(counts.after[~counts.got].sum()),
        change=changes[0][0],
        control_change=changes[1][0],
        ratio=ratio,
        low=low,
        high=high,
        p=erfc(abs(score(counts, 0.0)) / sqrt(2)),
    )


def score(counts: Counts, log_ratio: float, more: float | None = None) -> float:
    """How far the data are from a ratio, in standard errors; above 0 where they stand for a larger one. more: their
    scatter(), where that is reckoned already."""
    both = counts.before + counts.after
    offset = np.log(counts.watched_after / counts.watched_before) + np.where(counts.got, log_ratio, 0.0)
    share = _share(offset, _level(counts.after, both, offset))
    spread = both * share * (1 - share)
    of, others = float(spread[counts.got].sum()), float(spread[~counts.got].sum())
    if of <= 0 or others <= 0:
        return 0.0
    over = float((counts.after - both * share)[counts.got].sum())
    return over / sqrt(of * others / (of + others) * (scatter(counts) if more is None else more))


def scatter(counts: Counts) -> float:
    """How many times as much units scatter, each kind about its own change, as independent events would; 1 at least."""
    squares, expected, units = 0.0, 0.0, 0
    for side in (counts.got, ~counts.got):
        after, both = counts.after[side], (counts.before + counts.after)[side]
        offset = np.log(counts.watched_after[side] / counts.watched_before[side])
        share = _share(offset, _level(after, both, offset))
        squares += float(np.sum((after - both * share) ** 2))
        expected += float(np.sum(both * share * (1 - share)))
        units += int((both > 0).sum())
    return max(1.0, squares / expected * units / max(units - 2, 1)) if expected > 1e-9 else 1.0


def _level(after: Floats, both: Floats, offset: Floats) -> float:
    """The logarithm of the common change under which as many fall after as did; by halving, with Newton's steps."""
    low, high, at = -40.0, 40.0, 0.0
    for _ in range(ROUNDS):
        share = _share(offset, at)
        left = float(np.sum(after - both * share))
        low, high = (at, high) if left > 0 else (low, at)
        slope = float(np.sum(both * share * (1 - share)))
        step = at + left / slope if slope > 1e-12 else inf
        after_step = step if low < step < high else 0.5 * (low + high)
        if abs(after_step - at) < 1e-11:
            break
        at = after_step
    return at


def _share(offset: Floats, level: float) -> Floats:
    found: Floats = 1 / (1 + np.exp(-np.clip(offset + level, -60, 60)))
    return found


def _change(counts: Counts, side: Bools) -> tuple[float, float]:
    """Rate after over rate before of one kind of units, within units, and its logarithm; NaN without an event."""
    before, after = counts.before[side], counts.after[side]
    if not before.sum() and not after.sum():
        return np.nan, np.nan
    if not before.sum() or not after.sum():
        return (0.0, -inf) if before.sum() else (inf, inf)
    log = _level(after, before + after, np.log(counts.watched_after[side] / counts.watched_before[side]))
    return exp(log), log


def _open(treated: tuple[float, float], controls: tuple[float, float]) -> float:
    a, b = treated[1], controls[1]
    if np.isnan(a) or np.isnan(b) or a == b:
        return np.nan
    return inf if a > b else 0.0


def _interval(counts: Counts) -> tuple[float, float]:
    """From the smallest to the largest ratio that the score does not refute."""
    more = scatter(counts)
    tried = np.arange(-FARTHEST, FARTHEST + STEP / 2, STEP)
    held = np.flatnonzero([abs(score(counts, float(x), more)) <= Z95 for x in tried])
    if not held.size:  # between two steps: so sure that nothing else is left
        best = min(tried, key=lambda x: abs(score(counts, float(x), more)))
        return exp(best - STEP), exp(best + STEP)
    ends: list[float | None] = []
    for inside, outside in ((held[0], held[0] - 1), (held[-1], held[-1] + 1)):
        if not 0 <= outside < tried.size:
            ends.append(None)
            continue
        a, b = float(tried[inside]), float(tried[outside])
        for _ in range(30):
            middle = 0.5 * (a + b)
            a, b = (middle, b) if abs(score(counts, middle, more)) <= Z95 else (a, middle)
        ends.append(exp(a))
    return (0.0 if ends[0] is None else ends[0], inf if ends[1] is None else ends[1])
