"""Curves of one group that show its state better than its voltage: charge over voltage step while it is charged slowly,
and how its voltage settles at rest.

Source: incremental capacity, M. Dubarry, V. Svoboda, R. Hwu and B. Y. Liaw, Electrochem. Solid-State Lett. 9 (2006)
A454 (from memory); settling: definitions of this file.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats

LEAST_IN_STEP = 3  # samples behind a step of voltage (engineering choice)


def charge_per_volt(volts: Floats, ah: Floats, step_v: float) -> tuple[Floats, Floats]:
    """dQ/dV of a group under charge: middles of voltage steps [V], charge put in over the step's width [Ah/V].

    volts: (n,), noisy but rising on the whole [V]. ah: (n,), charge counted so far, rising [Ah]. Both finite.
    Charge is counted to the step in which the voltage lay, wherever in time, so that noise makes no step negative. The
    steps at both ends, which the record may have cut, are left out; NaN where too few samples fall.
    Raises: ValueError for a step that is not positive.
    """
    if not step_v > 0:
        raise ValueError("a step of voltage is more than zero")
    if volts.size < 2 * LEAST_IN_STEP or np.ptp(volts) < 3 * step_v:
        return np.zeros(0), np.zeros(0)
    low = np.floor(volts.min() / step_v) * step_v
    edges = low + step_v * np.arange(int(np.ceil((volts.max() - low) / step_v)) + 1)
    place = np.clip(((volts - low) / step_v).astype(np.int64), 0, edges.size - 2)
    count = np.bincount(place, minlength=edges.size - 1)
    # charge that flowed while the voltage lay in the step, wherever in time that was
    flowed = np.bincount(place, np.diff(ah, prepend=ah[0]), minlength=edges.size - 1)
    middles = 0.5 * (edges[:-1] + edges[1:])
    with np.errstate(invalid="ignore"):
        out = np.where(count >= LEAST_IN_STEP, flowed / step_v, np.nan)
    return middles[1:-1], out[1:-1]


def settling(t_s: Floats, volts: Floats, at_s: Floats) -> Floats:
    """Voltage less its value at the last moment of at_s, at each moment of at_s after the rest began [V].

    t_s: (n,) seconds since current ceased, rising. volts: (n,) [V]. Each value is the median of samples within a tenth
    of the moment; NaN where none is.
    """
    out = np.full(at_s.size, np.nan)
    for k, moment in enumerate(at_s):
        a, b = np.searchsorted(t_s, [0.9 * moment, 1.1 * moment + 1e-9])
        if b > a:
            out[k] = float(np.median(volts[a:b]))
    return out - out[-1] if at_s.size else out
