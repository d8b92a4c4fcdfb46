"""What holds now of a figure that each session gives: its sessions since the last step, and how certain so few are.

A fault that begins in mid-record is diluted by what came before; so the newest stretch is cut where the level changed
beyond doubt, up or down, and only what came after is judged (since_step); or the stretch is taken that is most surely
over a limit (newest_level). After such a cut one session may be all there is: its own error does not know how far
another session would have lain, but siblings measured alongside do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.change import LevelStep, upward_step
from herdbook.pipeline.health.pooled import Pooled, pool
from herdbook.pipeline.science.robust_fit import MAD_TO_SD, median

# A step is the best of many places and two directions: five standard errors keep chance under 1 in 10,000 for fifty
# sessions (engineering choice).
STEP_Z = 5.0
FEW = 3  # under so many sessions their scatter says nothing about its own size


def since_step(p: Pooled, own: float = 0.0, z: float = STEP_Z) -> Pooled:
    """The sessions after the last certain step of their level; all of them where there was none.

    own: how far two sessions of the same level may differ besides their errors, in the metric's unit."""
    ses = _errors(p, own)
    first = 0
    while (step := _clearest(p.values[first:], ses[first:])) is not None and step.z > z:
        first += step.first
    return _after(p, first) if first else p


@dataclass(frozen=True, slots=True)
class Level:
    """value and se: pooled over the sessions from `first` to the newest; chance: that it lies no further than the
    limit, times the places tried, at most 1."""

    first: int
    value: float
    se: float
    chance: float


def newest_level(values: Floats, ses: Floats, limit: float, least: int = 2) -> Level | None:
    """The stretch of sessions, up to the newest, whose pooled value is most surely over the limit; of `least` sessions
    at least, or of all there are. values in time order with their standard errors; None when there are none."""
    if not values.size:
        return None
    best: Level | None = None
    tried = max(values.size - least + 1, 1)
    for first in range(tried):
        value, se = pool(values[first:], ses[first:])
        chance = min(1.0, tried * (1.0 - NormalDist().cdf((value - limit) / max(se, 1e-12))))
        if best is None or chance < best.chance:
            best = Level(first, value, se, chance)
    return best


def with_siblings(groups: Mapping[str, Pooled], most: int) -> dict[str, Pooled]:
    """Groups of few sessions with an error that their siblings' sessions tell as well.

    How far one group lies from session to session (warmth, charge, the ride) is much the same for all groups of a
    pack, in proportion to their values: a dozen groups of three sessions have two dozen differences to tell it from,
    where one has two and pays for that with Student's factor. A group that scatters by more than its siblings keeps
    its own error.
    """
    siblings = [p for p in groups.values() if p.count > 1 and p.value > 0]
    if len(siblings) < 4:
        return dict(groups)
    # Sessions scatter by their own errors as well, which every session of the group brings along: counted once
    read = np.median([float(np.mean(_errors(p, 0.0) ** 2)) / p.value**2 for p in siblings])
    usual = float(np.sqrt(max(np.median([_variance(p) for p in siblings]) - read, 0.0)))
    return {item: _by_siblings(p, usual) if 1 < p.count <= most else p for item, p in groups.items()}


def _variance(p: Pooled) -> float:
    """Between sessions, as a share of the value squared; such that the middle of many groups is their variance: the
    middle of a chi square of d degrees of freedom is d (1 - 2 / 9d)^3 (E. Wilson, M. Hilferty, PNAS 17 (1931) 684)."""
    d = p.count - 1
    return float(p.values.var(ddof=1)) / p.value**2 / (1.0 - 2.0 / (9.0 * d)) ** 3


def _by_siblings(p: Pooled, usual: float) -> Pooled:
    own = np.hypot(_errors(p, 0.0), usual * p.value)
    weight = own**-2.0
    value = float(weight @ p.values / weight.sum())
    misfit = float(weight @ (p.values - value) ** 2) / (p.count - 1)
    se = float(weight.sum() ** -0.5) * max(1.0, float(np.sqrt(misfit)))
    return replace(p, value=value, se=se)


def sibling_spread(groups: Mapping[str, Pooled]) -> float:
    """How far the middle half of siblings lie apart, as a standard deviation; 0 with fewer than four."""
    values = np.array([p.value for p in groups.values()])
    return MAD_TO_SD * median(np.abs(values - median(values))) if values.size >= 4 else 0.0


def _errors(p: Pooled, own: float) -> Floats:
    ses = np.hypot(np.nan_to_num(p.ses), own)
    known = ses[ses > 0]
    return np.where(ses > 0, ses, known.min() if known.size else 1.0)


def _clearest(values: Floats, ses: Floats) -> LevelStep | None:
    steps = [s for s in (upward_step(values, ses, 1), upward_step(-values, ses, 1)) if s is not None]
    return max(steps, key=lambda s: s.z, default=None)


def _after(p: Pooled, first: int) -> Pooled:
    values, ses = p.values[first:], p.ses[first:]
    value, se = pool(values, ses)
    return replace(
        p,
        value=value,
        se=se,
        count=values.size,
        values=values,
        ses=ses,
        starts=p.starts[first:],
        ends=p.ends[first:],
    )
