"""Whether a fault of one group would have shown in what was recorded of its string."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.string_fit import (
    FAR_V,
    LIKENESS,
    PRIOR,
    SEEN,
    UNLIKE,
    Moments,
    OpenCircuitCurve,
    Why,
    sound_parts,
    weights,
)

SHOWN = 200  # draws behind the middle of the evidence (engineering choice)


def as_sound(curve: OpenCircuitCurve, m: Moments, group: int) -> Floats:
    """Covariance (n, n) of what a sound group shows."""
    diagonal, sides = sound_parts(curve.mean, m, group, None if curve.alike is None else curve.alike[group])
    return np.asarray(np.diag(diagonal) + sides @ sides.T)


def would_show(curve: OpenCircuitCurve, m: Moments, cause: Why, size: float) -> bool:
    """Whether such a fault, there from the first day on, would as likely as not have stood out of what sound groups
    differ by: the middle evidence against a sound group over what the curve, as far as it is known, lets it show."""
    differ = weights(m.z + _shift(m, cause, size)) - weights(m.z)
    expected = np.clip(differ @ curve.mean, -FAR_V, FAR_V)
    differ[np.abs(expected) >= FAR_V] = 0.0
    own = np.diag((np.where(m.knee, UNLIKE, LIKENESS) * expected) ** 2)
    sound = as_sound(curve, m, _usual(m))
    root, sound_root = np.linalg.cholesky(sound + differ @ curve.cov @ differ.T + own), np.linalg.cholesky(sound)
    noise = np.random.default_rng(1).normal(0.0, 1.0, (m.z.size, SHOWN))
    beside = np.linalg.solve(sound_root, expected[:, None] + root @ noise)
    more = float(np.log(np.diagonal(root)).sum() - np.log(np.diagonal(sound_root)).sum())
    gain = 0.5 * float(np.median((beside**2).sum(axis=0) - (noise**2).sum(axis=0))) - more
    return bool(gain > SEEN - np.log(PRIOR[cause]))


def _shift(m: Moments, cause: Why, size: float) -> Floats:
    """What such a fault, there from the first day on, takes from a group's charge at each moment."""
    return {Why.CHARGE: -size + 0.0 * m.z, Why.CAPACITY: -size * (1.0 - m.z), Why.LEAK: -size * m.days}[cause]


def _usual(m: Moments) -> int:
    """The group in the middle by what resistance may have left in its readings."""
    return int(np.argsort(np.abs(m.drop).sum(axis=0))[m.drop.shape[1] // 2])
