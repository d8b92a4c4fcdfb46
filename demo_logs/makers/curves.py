"""Open-circuit voltage of graphite/LFP cells: half cells as published, put together in drawn windows, then bent.

Sources: LFP: S. Afshar et al., arXiv:1709.03970 (2017); M. Safari, C. Delacourt, J. Electrochem. Soc. 158 (2011) A562;
V. Srinivasan, J. Newman, J. Electrochem. Soc. 151 (2004) A1517. Graphite: C.-H. Chen et al., J. Electrochem. Soc. 167
(2020) 080534; Safari and Delacourt as above; S. Marquis et al., J. Electrochem. Soc. 166 (2019) A3693 (mesocarbon).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
HalfCell = Callable[[Floats], Floats]
POINTS = 801  # of a table from empty to full
MARQUIS = (  # height [V], place and width of each step
    (0.0351, 0.286, 0.083),
    (-0.0045, 0.849, 0.119),
    (-0.035, 0.9233, 0.05),
    (-0.0147, 0.5, 0.034),
    (-0.102, 0.194, 0.142),
    (-0.022, 0.9, 0.0164),
    (-0.011, 0.124, 0.0226),
    (0.0155, 0.105, 0.029),
)


def lfp_afshar(y: Floats) -> Floats:
    return np.asarray(3.4077 - 0.020269 * y + 0.5 * np.exp(-150.0 * y) - 0.9 * np.exp(-30.0 * (1.0 - y)))


def lfp_safari(y: Floats) -> Floats:
    rest = 1.0 - y
    steep = 3.2482e-6 * np.exp(20.2646 * rest**3.7995) - 3.2474e-6 * np.exp(20.2645 * rest**3.8003)
    return np.asarray(3.4323 - 0.8428 * np.exp(-80.2493 * rest**1.3198) + steep)


def lfp_srinivasan(y: Floats) -> Floats:
    down = 4.438792 * np.arctan(-71.7352 * y + 70.85337)
    return np.asarray(3.114559 + down - 4.240252 * np.arctan(-68.5605 * y + 67.730082))


def graphite_chen(x: Floats) -> Floats:
    steps = 0.0909 * np.tanh(29.8538 * (x - 0.1234)) + 0.04478 * np.tanh(14.9159 * (x - 0.2769))
    return np.asarray(1.9793 * np.exp(-39.3631 * x) + 0.2482 - steps - 0.0205 * np.tanh(30.4444 * (x - 0.6103)))


def graphite_safari(x: Floats) -> Floats:
    steps = 0.044 * np.tanh((x - 0.1958) / 0.1088) + 0.1978 * np.tanh((x - 1.0571) / 0.0854)
    steps = steps + 0.6875 * np.tanh((x + 0.0117) / 0.0529) + 0.0175 * np.tanh((x - 0.5692) / 0.0875)
    return np.asarray(0.6379 + 0.5416 * np.exp(-305.5309 * x) - steps)


def graphite_marquis(x: Floats) -> Floats:
    steps = sum(a * np.tanh((x - middle) / width) for a, middle, width in MARQUIS)
    return np.asarray(0.194 + 1.5 * np.exp(-120.0 * x) + steps)


POSITIVES: tuple[HalfCell, ...] = (lfp_afshar, lfp_safari, lfp_srinivasan)
NEGATIVES: tuple[HalfCell, ...] = (graphite_chen, graphite_safari, graphite_marquis)


def full_cell(
    positive: HalfCell, negative: HalfCell, y: tuple[float, float], x: tuple[float, float], bend: Floats | None = None
) -> Floats:
    """Voltage (POINTS,) from empty to full. y, x: content of the positive and the negative, empty and full. bend:
    where in its window the negative stands at each point, 0..1 (None: in step)."""
    soc = np.linspace(0.0, 1.0, POINTS)
    place = soc if bend is None else bend
    return positive(y[0] + soc * (y[1] - y[0])) - negative(x[0] + place * (x[1] - x[0]))


def draw_curve(rng: np.random.Generator) -> Floats:
    """One maker's curve, rising: a pair of half cells in a window of its own; the graphite steps moved and scaled, the
    knees at both ends made rounder or sharper. Drawn again until it is a curve that an LFP cell could have."""
    soc = np.linspace(0.0, 1.0, POINTS)
    while True:
        positive, negative = POSITIVES[int(rng.integers(3))], NEGATIVES[int(rng.integers(3))]
        y = float(rng.uniform(0.75, 0.97)), float(rng.uniform(0.004, 0.05))
        x = float(rng.uniform(0.006, 0.06)), float(rng.uniform(0.70, 0.88))
        if rng.random() < 0.3:  # as published, in a window of its own
            curve = full_cell(positive, negative, y, x)
        else:
            shift = rng.normal(0.0, 0.02, 4) @ np.sin(np.pi * np.arange(1, 5)[:, None] * soc) / np.arange(1, 3).sum()
            curve = full_cell(positive, negative, y, x, np.clip(soc + shift, 0.0, 1.0))
            middle = float(np.interp(0.5, soc, curve))
            flat = np.clip((soc - 0.15) / 0.1, 0.0, 1.0) * np.clip((0.97 - soc) / 0.03, 0.0, 1.0)
            curve = curve + flat * (rng.uniform(0.8, 1.25) - 1.0) * (curve - middle)
            curve = curve + rng.uniform(-0.03, 0.03) * np.exp(-soc / rng.uniform(0.02, 0.06))
            curve = curve + rng.uniform(-0.01, 0.04) * np.exp(-(1.0 - soc) / rng.uniform(0.004, 0.012))
        curve = np.maximum.accumulate(curve + 2e-4 * soc)
        low, knee, half, top = (float(np.interp(s, soc, curve)) for s in (0.0, 0.1, 0.5, 1.0))
        if 2.1 < low < 3.0 and 2.85 < knee < 3.24 and 3.2 < half < 3.36 and 3.33 < top < 3.58:
            return np.asarray(curve)
