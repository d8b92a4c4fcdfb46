"""One figure out of few values with known errors: random effects, with intervals that hold for few values.

Sources: R. C. Paule and J. Mandel, J. Res. Natl. Bur. Stand. 87 (1982) 377 (scatter between values); J. Hartung and
G. Knapp, Stat. Med. 20 (2001) 3875 (error and t law); checked against the 13 trials of BCG vaccine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats

Z95 = 1.959964  # normal quantile of 0.975
# Quantiles of Student's t at 0.975 for 1 to 30 degrees of freedom: NIST/SEMATECH e-Handbook 1.3.6.7.2, to more digits.
T95 = (
    *(12.7062, 4.30265, 3.18245, 2.77645, 2.57058, 2.44691, 2.36462, 2.30600, 2.26216, 2.22814),
    *(2.20099, 2.17881, 2.16037, 2.14479, 2.13145, 2.11991, 2.10982, 2.10092, 2.09302, 2.08596),
    *(2.07961, 2.07387, 2.06866, 2.06390, 2.05954, 2.05553, 2.05183, 2.04841, 2.04523, 2.04227),
)
ROUNDS = 100


@dataclass(frozen=True, slots=True)
class RandomEffects:
    """mean: weighted. between: variance between values that their errors do not explain. se: by Hartung and Knapp, for
    use with t95(n - 1). alone: what the given errors would allow were there no scatter."""

    mean: float
    between: float
    se: float
    alone: float
    n: int


def t95(dof: float) -> float:
    """Quantile of Student's t at 0.975. dof: 1 or more; between whole numbers and past 30 by its expansion in 1/dof
    (M. Abramowitz and I. Stegun, Handbook of Mathematical Functions, 26.7.5)."""
    if dof <= len(T95) and dof == int(dof):
        return T95[int(dof) - 1]
    if dof < len(T95):
        low = int(max(dof, 1.0))
        share = max(dof, 1.0) - low
        return float(1.0 / ((1.0 - share) / T95[low - 1] + share / T95[low]))
    z = Z95
    return z + (z**3 + z) / (4 * dof) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * dof**2)


def random_effects(values: Floats, errors: Floats) -> RandomEffects:
    """values, errors (n,): n of 2 or more; errors above zero, standard errors of values that do not share them.

    The scatter solves sum((y - mean)^2 / (error^2 + between)) = n - 1; no scatter where the left is less at 0. Newton's
    steps from 0 approach the root from below, as the sum is convex in it.
    """
    n = values.size
    own, between = errors**2, 0.0
    for _ in range(ROUNDS):
        weight = 1.0 / (own + between)
        mean = float(weight @ values / weight.sum())
        square = (values - mean) ** 2
        excess = float(weight @ square) - (n - 1)
        if excess <= 1e-10 * n:
            break
        between += excess / float(weight**2 @ square)
    misfit = float(weight @ square) / (n - 1)
    return RandomEffects(
        mean=mean,
        between=between,
        se=float(np.sqrt(misfit / weight.sum())),
        alone=float((1.0 / own).sum() ** -0.5),
        n=n,
    )
