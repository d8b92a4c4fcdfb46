"""How alike the groups of one string are, told by the string itself: each group's measure is all the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.string_fit import FAR_V, Moments, OpenCircuitCurve, sound_parts

# How alike groups are: so many groups' worth of what sound ones may differ by; it settles in some rounds (engineering
# choices)
KNOWN, ALIKE_ROUNDS = 4.0, 6


def by_siblings(curve: OpenCircuitCurve, m: Moments) -> OpenCircuitCurve:
    """The same with how alike the groups of this string are: of each, by all the others.

    Groups of one string are of one make, and N of them tell their own spread to 1 in sqrt(2 N): where all siblings lie
    within few millivolts, one that stands out of them by ten is no sound one. What they share is estimated as variance
    components (A. P. Dempster, N. M. Laird, D. B. Rubin, J. R. Stat. Soc. B 39 (1977) 1), held to what sound groups may
    differ by as by KNOWN groups more. A group under suspicion has no part in it, and a second bad one only widens it.
    """
    parts = [sound_parts(curve.mean, m, k) for k in range(m.away.shape[1])]
    root = np.stack([own**-0.5 for own, _ in parts])
    sides = np.stack([shared for _, shared in parts]) * root[..., None]
    seen = np.clip(m.away.T, -FAR_V, FAR_V) * root
    inner, toward = np.swapaxes(sides, 1, 2) @ sides, np.einsum("gnk,gn->gk", sides, seen)
    others = 1.0 - np.eye(len(parts))
    alike = np.ones((len(parts), sides.shape[2]))
    for _ in range(ALIKE_ROUNDS):
        squares = np.stack([_squares(inner, toward, a) for a in alike])
        told = np.einsum("ag,agk->ak", others, squares)
        alike = np.minimum(np.sqrt((KNOWN + told) / (KNOWN + len(parts) - 1)), 1.0)
    return replace(curve, alike=alike)


def _squares(inner: Floats, toward: Floats, alike: Floats) -> Floats:
    """Expected squares of each group's four differences, (groups, 4), where groups are that alike."""
    left = np.linalg.inv(np.diag(alike**-2.0) + inner)
    middle = np.einsum("gij,gj->gi", left, toward)
    return np.asarray(np.diagonal(left, axis1=1, axis2=2) + middle**2)
