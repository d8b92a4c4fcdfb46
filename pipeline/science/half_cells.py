"""Open-circuit curves that cells of lithium iron phosphate and graphite may have: published half cells, put together.

One table is one cell's. Where its foot ends, where full is and how wide the steps of graphite lie apart depends on how
much of each electrode a maker uses: three published curves of each, in windows drawn over what such cells use, show how
differently a voltage may climb. Lithium iron phosphate: S. Afshar et al., arXiv:1709.03970 (2017); M. Safari,
C. Delacourt, J. Electrochem. Soc. 158 (2011) A562; V. Srinivasan, J. Newman, J. Electrochem. Soc. 151 (2004) A1517.
Graphite: C.-H. Chen et al., J. Electrochem. Soc. 167 (2020) 080534; Safari and Delacourt; S. Marquis et al.,
J. Electrochem. Soc. 166 (2019) A3693.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from herdbook.pipeline.arrays import Floats

CHARGE = np.linspace(0.0, 1.0, 201)
CURVES = 180  # as many of each of the nine pairs (engineering choice)
# What a cell uses of each electrode, empty and full, and what it rests at then, V (engineering choices, wide).
POSITIVE, NEGATIVE = ((0.72, 0.985), (0.0, 0.06)), ((0.0, 0.07), (0.65, 0.92))
EMPTY_V, HALF_V, FULL_V = (2.0, 3.08), (3.18, 3.37), (3.32, 3.62)


def _lfp_afshar(y: Floats) -> Floats:
    return np.asarray(3.4077 - 0.020269 * y + 0.5 * np.exp(-150.0 * y) - 0.9 * np.exp(-30.0 * (1.0 - y)))


def _lfp_safari(y: Floats) -> Floats:
    x = 1.0 - y
    near_full = 3.2482e-6 * np.exp(20.2646 * x**3.7995) - 3.2474e-6 * np.exp(20.2645 * x**3.8003)
    return np.asarray(3.4323 - 0.8428 * np.exp(-80.2493 * x**1.3198) + near_full)


def _lfp_srinivasan(y: Floats) -> Floats:
    first, second = np.arctan(70.85337 - 71.7352 * y), np.arctan(67.730082 - 68.5605 * y)
    return np.asarray(3.114559 + 4.438792 * first - 4.240252 * second)


def _graphite_chen(x: Floats) -> Floats:
    low = 0.0909 * np.tanh(29.8538 * (x - 0.1234)) + 0.04478 * np.tanh(14.9159 * (x - 0.2769))
    return np.asarray(0.2482 + 1.9793 * np.exp(-39.3631 * x) - low - 0.0205 * np.tanh(30.4444 * (x - 0.6103)))


def _graphite_safari(x: Floats) -> Floats:
    steps = ((0.044, 0.1958, 0.1088), (0.1978, 1.0571, 0.0854), (0.6875, -0.0117, 0.0529), (0.0175, 0.5692, 0.0875))
    falls = sum(height * np.tanh((x - at) / width) for height, at, width in steps)
    return np.asarray(0.6379 + 0.5416 * np.exp(-305.5309 * x) - falls)


def _graphite_marquis(x: Floats) -> Floats:
    steps = (
        *((0.0351, 0.286, 0.083), (-0.0045, 0.849, 0.119), (-0.035, 0.9233, 0.05), (-0.0147, 0.5, 0.034)),
        *((-0.102, 0.194, 0.142), (-0.022, 0.9, 0.0164), (-0.011, 0.124, 0.0226), (0.0155, 0.105, 0.029)),
    )
    rises = sum(height * np.tanh((x - at) / width) for height, at, width in steps)
    return np.asarray(0.194 + 1.5 * np.exp(-120.0 * x) + rises)


@cache
def possible_curves() -> Floats:
    """(CURVES, charges): volts over CHARGE, rising. The same at every call."""
    rng = np.random.default_rng(1)
    pairs = [
        (positive, negative)
        for positive in (_lfp_afshar, _lfp_safari, _lfp_srinivasan)
        for negative in (_graphite_chen, _graphite_safari, _graphite_marquis)
    ]
    kept: list[Floats] = []
    for positive, negative in pairs:
        of_pair: list[Floats] = []
        while len(of_pair) < CURVES // len(pairs):
            (y0, y1), (x0, x1) = (tuple(rng.uniform(*w) for w in window) for window in (POSITIVE, NEGATIVE))
            volts = positive(y0 + CHARGE * (y1 - y0)) - negative(x0 + CHARGE * (x1 - x0))
            ends = ((volts[0], EMPTY_V), (volts[CHARGE.size // 2], HALF_V), (volts[-1], FULL_V))
            if all(low < v < high for v, (low, high) in ends):
                of_pair.append(np.maximum.accumulate(volts))
        kept += of_pair
    return np.array(kept)
