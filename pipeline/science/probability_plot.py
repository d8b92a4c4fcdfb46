"""Where failures lie on the paper on which a Weibull life is a straight line.

Source: W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data (1998), 6.4: the share failed is taken
half-way up its step, from Kaplan and Meier's curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.survival import SurvivalCurve


@dataclass(frozen=True, slots=True)
class ProbabilityPlot:
    """times: of failures. failed: share failed by then. height: log(-log(1 - failed)), against which a Weibull life is
    straight in log time, with its shape as slope; low, high: ends of the 95 % interval there, NaN where none is."""

    times: Floats
    failed: Floats
    height: Floats
    low: Floats
    high: Floats


def probability_plot(curve: SurvivalCurve) -> ProbabilityPlot:
    before = np.concatenate([[1.0], curve.survival[:-1]])
    failed = 1.0 - 0.5 * (before + curve.survival)
    low, high = (height(1.0 - side) for side in (curve.high, curve.low))
    return ProbabilityPlot(curve.times, failed, height(failed), _known(low), _known(high))


def height(failed: Floats) -> Floats:
    """Of a share failed on that paper; infinite for none and for all."""
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(-np.log1p(-failed)))


def _known(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, np.nan)
