"""Incremental capacity: how much charge goes in or out for each volt, over the voltage of a group (dQ/dV).

Charge is counted into bins of voltage and divided by their width, which needs no derivative of a noisy voltage and
takes one that wavers as it is. A plateau of the open-circuit curve stands up as a peak; where it lies tells resistance
and balance, how much lies under it tells capacity.

Source: definition; a few bins of smoothing (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats

SMOOTHED = np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16.0


@dataclass(frozen=True, slots=True)
class Incremental:
    """volts (m,): middles of the bins; ah_per_v (m, groups), NaN where a group never was. Per group: peak_v and
    peak_ah_per_v of its highest peak inside, NaN without one."""

    volts: Floats
    ah_per_v: Floats
    peak_v: Floats
    peak_ah_per_v: Floats


def incremental(passed_ah: Floats, volts: Floats, bin_v: float) -> Incremental:
    """passed_ah (n,): charge since the beginning, positive either way and never falling much; volts (n, groups).

    The first and last bins of a group hold jumps of the current and are left out of its peaks.
    Raises: ValueError when no charge passes or no voltage moves."""
    step = np.diff(passed_ah)
    if not step.size or not float(step.sum()) > 0.0:
        raise ValueError("no charge passes")
    low, high = float(np.nanmin(volts)), float(np.nanmax(volts))
    if high - low < 5.0 * bin_v:
        raise ValueError("the voltage hardly moves")
    first = np.floor(low / bin_v)
    bins = int(np.floor(high / bin_v) - first) + 1
    middles = (first + np.arange(bins) + 0.5) * bin_v
    out = np.full((bins, volts.shape[1]), np.nan)
    peaks = np.full((2, volts.shape[1]), np.nan)
    for g in range(volts.shape[1]):
        v = 0.5 * (volts[1:, g] + volts[:-1, g])
        ok = np.isfinite(v)
        if not ok.any():
            continue
        place = (np.floor(v[ok] / bin_v) - first).astype(np.int64)
        counted = np.bincount(np.clip(place, 0, bins - 1), step[ok], bins) / bin_v
        been = slice(int(place.min()), int(place.max()) + 1)
        smooth = np.convolve(np.pad(counted[been], 2, mode="edge"), SMOOTHED, "valid")
        out[been, g] = smooth
        peaks[:, g] = _peak(middles[been], smooth)
    return Incremental(middles, out, peaks[0], peaks[1])


def _peak(volts: Floats, height: Floats) -> tuple[float, float]:
    """Place and height of the highest maximum that is no end, by a parabola over three bins."""
    inside = np.flatnonzero((height[1:-1] >= height[:-2]) & (height[1:-1] > height[2:])) + 1
    inside = inside[(inside > 1) & (inside < height.size - 2)]
    if not inside.size:
        return float("nan"), float("nan")
    k = int(inside[np.argmax(height[inside])])
    low, mid, high = height[k - 1 : k + 2]
    bend = low - 2.0 * mid + high
    off = 0.5 * (low - high) / bend if bend < 0 else 0.0
    return float(volts[k] + off * (volts[1] - volts[0])), float(mid - 0.25 * (low - high) * off)
