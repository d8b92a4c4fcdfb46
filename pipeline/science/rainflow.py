"""Cycle counting by rainflow, as in ASTM E1049-85, 5.4.4.

The series is what a person can watch: turning points. The loop runs over turning points, a few hundred a
year of riding, never over samples.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

import numpy as np

from herdbook.pipeline.arrays import Floats


def reversals(values: Floats, least: float = 0.0) -> tuple[Floats, np.ndarray]:
    """(turning points, their indices), first and last point included; swings smaller than least are passed over."""
    v = np.asarray(values, np.float64)
    if v.size < 2:
        return v, np.arange(v.size)
    step = np.diff(v)
    moving = np.flatnonzero(step != 0)
    if not moving.size:
        return v[[0, -1]], np.array([0, v.size - 1])
    turn = moving[1:][np.sign(step[moving[1:]]) != np.sign(step[moving[:-1]])]
    index = np.concatenate(([0], turn, [v.size - 1]))
    if least > 0:
        index = _without_small(v, index, least)
    return v[index], index


def _without_small(v: Floats, index: np.ndarray, least: float) -> np.ndarray:
    """Hysteresis filter: a turn counts when the way back from it is at least `least`; the first one, too, where no way
    to it was so long."""
    kept = [int(index[0])]
    candidate = low = high = int(index[0])
    direction = 0.0
    for i in index[1:]:
        i = int(i)
        if direction == 0.0:
            low, high = (i if v[i] < v[low] else low), (i if v[i] > v[high] else high)
            if v[high] - v[low] >= least:
                direction, candidate = (1.0, high) if high == i else (-1.0, low)
                before = low if direction > 0 else high
                kept += [before] if before != kept[0] else []
        elif (v[i] - v[candidate]) * direction >= 0:
            candidate = i
        elif abs(v[i] - v[candidate]) >= least:
            kept.append(candidate)
            direction, candidate = -direction, i
    for i in (candidate, int(index[-1])):
        if i != kept[-1]:
            kept.append(i)
    return np.array(kept)


def count(turning_points: Floats) -> dict[float, float]:
    """Cycles by range: 1 for a closed cycle, 0.5 for a half cycle left in the residue.

    Source: ASTM E1049-85, 5.4.4; worked example in tests/science.
    """
    cycles: defaultdict[float, float] = defaultdict(float)
    stack: list[float] = []
    for point in turning_points:
        stack.append(float(point))
        while len(stack) >= 3:
            newest, previous = abs(stack[-1] - stack[-2]), abs(stack[-2] - stack[-3])
            if newest < previous:
                break
            if len(stack) == 3:  # the range begins at the start of the history: half a cycle, drop its first point
                cycles[previous] += 0.5
                stack.pop(0)
            else:
                cycles[previous] += 1.0
                del stack[-3:-1]
    for a, b in pairwise(stack):
        cycles[abs(b - a)] += 0.5
    return dict(sorted(cycles.items()))


def full_cycles(cycles: dict[float, float], whole: float = 100.0) -> float:
    """Equivalent full cycles: sum of range x count over the whole range; equals half the throughput."""
    return sum(size * n for size, n in cycles.items()) / whole
