"""Two records of the same thing on two clocks: what to add to the times of one to have those of the other.

Both are turned into changes over a second, so that levels, gains and slow drifts do not matter; their correlation over
every lag gives the offset, that of windows one by one its error and the drift between the clocks. A record that cannot
be aligned is refused with the reason: a wrong offset would put the torque of one point beside the current of another.

Source: normalised cross-correlation with gaps left out (common practice); checked against numpy's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.meta_analysis import Z95, t95
from herdbook.pipeline.science.robust_fit import median

CHANGE_S = 1.0
LEAST_ALIKE = 0.5  # correlation of the changes at the best lag (engineering choice)
MOST_RIVAL = 0.8  # of that, at any other lag: more, and the record repeats itself (engineering choice)
APART_S = 5.0  # lags nearer than this belong to one peak
LEAST_OVERLAP_S, LEAST_SHARE = 20.0, 0.3  # of the shorter record
WINDOWS, LEAST_WINDOW_S = 12, 15.0
NEAR_S = 2.0  # either side of the offset that a window looks at
MOST_SCATTER_S, MOST_SCATTER_STEPS = 0.15, 0.3  # of the windows' offsets; more is no clock (engineering choice)
MOST_SAMPLES = 400_000
FINEST = 0.02  # of a step of the grid: what the parabola may be off (measured on staircases)


class ClocksDifferError(ValueError):
    """The two cannot be aligned; the message says why."""


@dataclass(frozen=True, slots=True)
class Aligned:
    """To be added to the second record's times: offset_s at middle_s (of the second's clock), and drift more for each
    second after it. se: standard errors, whose 1.96-fold is a 95 % interval; NaN where too few windows tell. alike:
    correlation of the changes."""

    offset_s: float
    offset_se_s: float
    drift: float
    drift_se: float
    middle_s: float
    alike: float
    windows: int

    def moved(self, t_s: Floats) -> Floats:
        """Times of the second record on the clock of the first."""
        return np.asarray(t_s + self.offset_s + self.drift * (t_s - self.middle_s))


def align(first_t: Floats, first: Floats, second_t: Floats, second: Floats) -> Aligned:
    """Times in seconds, rising, on clocks of their own; values of the same or a proportional quantity.

    Raises: ClocksDifferError when the two do not tell how they lie to each other.
    """
    step = _step(first_t, second_t)
    a, b = _changes(first_t, first, step), _changes(second_t, second, step)
    for name, c in (("first", a), ("second", b)):
        if np.isfinite(c).sum() < 10 or not np.nanstd(c) > 0.0:
            raise ClocksDifferError(f"the {name} record does not change, so nothing says how the clocks lie")
    lags, alike, share = _correlations(a, b, max(LEAST_OVERLAP_S, LEAST_SHARE * step * min(a.size, b.size)) / step)
    if not np.isfinite(alike).any():
        raise ClocksDifferError(f"they would overlap for less than {LEAST_OVERLAP_S:.0f} s")
    weighed = alike * share  # a few common steps are alike by chance
    best = int(np.nanargmax(weighed))
    peak, worst = float(alike[best]), int(np.nanargmin(weighed))
    if -weighed[worst] > weighed[best] and -alike[worst] >= LEAST_ALIKE:
        raise ClocksDifferError("one falls as the other rises: the sign of one of them is the wrong way round")
    if peak < LEAST_ALIKE:
        raise ClocksDifferError(f"their changes are not alike at any lag (correlation {peak:.2f} at most)")
    away = np.abs(lags - lags[best]) * step > APART_S
    rival = float(np.nanmax(weighed, initial=-1.0, where=away & np.isfinite(weighed)))
    if rival > MOST_RIVAL * float(weighed[best]):
        other = lags[away][int(np.nanargmax(np.where(np.isfinite(weighed[away]), weighed[away], -1.0)))]
        seconds = abs(float(other - lags[best])) * step
        what = f"lags {seconds:.1f} s apart fit nearly as well"
        raise ClocksDifferError(f"{what}: the record repeats itself, or one of the clocks jumps")
    rough = float(lags[best]) * step + float(first_t[0] - second_t[0])
    return _by_windows(first_t, second_t, a, b, step=step, rough=rough, peak=peak)


def _step(first_t: Floats, second_t: Floats) -> float:
    usual = max(median(np.diff(first_t)), median(np.diff(second_t)), 0.005)
    longest = max(float(first_t[-1] - first_t[0]), float(second_t[-1] - second_t[0]))
    return min(max(usual, longest / MOST_SAMPLES), CHANGE_S / 2.0)


def _changes(t: Floats, v: Floats, step: float) -> Floats:
    """Change over CHANGE_S around each point of an even grid that begins at t[0]; NaN inside gaps."""
    ok = np.isfinite(v)
    if ok.sum() < 10:
        return np.full(1, np.nan)
    t, v = t[ok] - t[0], v[ok]
    grid = np.arange(0.0, float(t[-1]), step)
    level = np.interp(grid, t, v)
    after = np.minimum(np.searchsorted(t, grid), t.size - 1)
    before = np.maximum(after - 1, 0)
    level[t[after] - t[before] > max(2.0, 4.0 * step)] = np.nan
    half = max(1, round(0.5 * CHANGE_S / step))
    out = np.full(grid.size, np.nan)
    if grid.size > 2 * half:
        out[half:-half] = level[2 * half :] - level[: -2 * half]
    return out


def _sums(x: Floats, y: Floats) -> Floats:
    """sum of x[i + lag] y[i] for every lag from -(y.size - 1) to x.size - 1."""
    size = 1 << int(np.ceil(np.log2(x.size + y.size)))
    both = np.fft.irfft(np.fft.rfft(x, size) * np.conj(np.fft.rfft(y, size)), size)
    return np.concatenate((both[size - (y.size - 1) :] if y.size > 1 else both[:0], both[: x.size]))


def _correlations(a: Floats, b: Floats, least: float) -> tuple[Floats, Floats, Floats]:
    """Lags in steps, the correlation at each over what both have (NaN under `least` common points), and the root of the
    share of the longest overlap that it rests on."""
    ok_a, ok_b = np.isfinite(a), np.isfinite(b)
    x, y = np.where(ok_a, a, 0.0), np.where(ok_b, b, 0.0)
    ma, mb = ok_a.astype(np.float64), ok_b.astype(np.float64)
    n = np.round(_sums(ma, mb))
    safe = np.maximum(n, 1.0)
    sx, sy = _sums(x, mb), _sums(ma, y)
    xy = _sums(x, y) - sx * sy / safe
    xx, yy = _sums(x * x, mb) - sx**2 / safe, _sums(ma, y * y) - sy**2 / safe
    alike = xy / np.sqrt(np.maximum(xx * yy, 1e-30))
    # where one of the two hardly moves in the overlap, the correlation is noise
    quiet = (xx < 0.05 * float((x * x).sum())) | (yy < 0.05 * float((y * y).sum()))
    alike = np.where((n >= least) & ~quiet, alike, np.nan)
    return np.arange(-(b.size - 1), a.size, dtype=np.float64), alike, np.sqrt(safe / safe.max())


def _by_windows(
    first_t: Floats, second_t: Floats, a: Floats, b: Floats, *, step: float, rough: float, peak: float
) -> Aligned:
    """Offset and drift from windows of the second record."""
    shift = rough - float(first_t[0] - second_t[0])  # from a's grid to b's, seconds
    begin, end = max(0.0, -shift), min(step * b.size, step * a.size - shift)
    count = int(np.clip((end - begin) / LEAST_WINDOW_S, 1, WINDOWS))
    edges = np.linspace(begin, end, count + 1)
    found = []
    whole = float(np.nanmean(np.abs(b)))
    for low, high in pairwise(edges.tolist()):
        piece = slice(int(low / step), int(high / step))
        if np.nanmean(np.abs(b[piece])) < 0.2 * whole if np.isfinite(b[piece]).any() else True:
            continue
        local = _local(a, b, piece, shift / step, round(NEAR_S / step))
        if local is not None and local[1] >= LEAST_ALIKE:
            found.append((0.5 * float(low + high), step * local[0]))
    if not found:
        raise ClocksDifferError("no single stretch of the record shows the same lag as the whole")
    at, moved = (np.array(c) for c in zip(*found, strict=True))
    keep: Bools = np.abs(moved - median(moved)) < max(6.0 * median(np.abs(moved - median(moved))), 2.0 * step)
    at, moved = at[keep], moved[keep]
    return _line(at, moved, first_t=first_t, second_t=second_t, step=step, peak=peak)


def _local(a: Floats, b: Floats, piece: slice, shift: float, reach: int) -> tuple[float, float] | None:
    """Lag near `shift` at which a stretch of b is most alike a, by a parabola over the best three, and how alike."""
    y = b[piece]
    scores = []
    lags = np.arange(-reach, reach + 1) + round(shift)
    for lag in lags:
        low = piece.start + int(lag)
        x = a[max(low, 0) : max(low, 0) + y.size] if low + y.size <= a.size and low >= 0 else np.empty(0)
        ok = np.isfinite(x) & np.isfinite(y) if x.size == y.size else np.zeros(0, np.bool_)
        if ok.sum() < 0.6 * y.size or ok.sum() < 8:
            scores.append(np.nan)
            continue
        dx, dy = x[ok] - x[ok].mean(), y[ok] - y[ok].mean()
        scores.append(float(dx @ dy / np.sqrt(max(float(dx @ dx * (dy @ dy)), 1e-30))))
    score = np.array(scores)
    if np.isfinite(score).sum() < 3:
        return None
    k = int(np.nanargmax(score))
    if k in (0, score.size - 1) or not np.isfinite(score[k - 1 : k + 2]).all():
        return None
    low, mid, high = score[k - 1 : k + 2]
    bend = low - 2.0 * mid + high
    fine = 0.5 * (low - high) / bend if bend < 0 else 0.0
    return float(lags[k]) + float(fine), float(mid)


def _line(at: Floats, moved: Floats, *, first_t: Floats, second_t: Floats, step: float, peak: float) -> Aligned:
    """Offset in the middle and drift, by a straight line over the windows."""
    base, n = float(first_t[0] - second_t[0]), at.size
    middle = float(at.mean())
    drift = drift_se = float("nan")
    residual = moved - moved.mean()
    dof = n - 1
    if n >= 4:
        dx = at - middle
        drift = float(dx @ moved / (dx @ dx))
        residual, dof = residual - drift * dx, n - 2
        sd = float(np.sqrt(residual @ residual / dof))
        drift_se = t95(dof) / Z95 * sd / float(np.sqrt(dx @ dx))
    sd = float(np.sqrt(residual @ residual / dof)) if dof > 0 else float("nan")
    if sd > max(MOST_SCATTER_S, MOST_SCATTER_STEPS * step):
        raise ClocksDifferError(f"the lag wanders by {sd:.2f} s within the record: one of the clocks jumps")
    se = t95(dof) / Z95 * sd / np.sqrt(n) if dof > 0 else float("nan")
    return Aligned(
        offset_s=float(moved.mean()) + base,
        offset_se_s=float(np.hypot(se, FINEST * step)),
        drift=0.0 if drift != drift else drift,
        drift_se=drift_se,
        middle_s=float(second_t[0]) + middle,
        alike=peak,
        windows=n,
    )
