"""What current a winding bears, from its temperature while the current changed: one body that warms and cools.

tau dx/dt = k i^2 f(temperature) + h p - x, with x the rise over the air, f the copper factor and p a further loss
(without load), so that k i^2 f is the rise that would be reached. For each time constant the rest is linear; how well
the record tells them apart is the likelihood over all of them, and every answer has the interval that this leaves.

Sources: heat.py; likelihood interval with residuals that hang together counted as n (1 - r) / (1 + r) (Bayley and
Hammersley 1946).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Indices
from herdbook.pipeline.science.heat import copper_factor, relax, within_steps
from herdbook.pipeline.science.meta_analysis import Z95
from herdbook.pipeline.science.robust_fit import neighbours_alike

COARSE_S, FINE = np.geomspace(15.0, 20_000.0, 90), 60
CHI2_95 = 3.841  # quantile of chi squared at 0.95, one degree of freedom
LEAST_RISE_K = 8.0
LEAST_STEPS = 40


@dataclass(frozen=True, slots=True)
class WindingHeat:
    """best: place in the arrays of the most likely; likely (m,): time constants that the record allows, tau_s, and
    with each k_per_a2 [K/A2] and other (m,), rise by the loss without load [K/W];
    k_share_se: standard error of k at the best of them, as a share. measured, fitted (n,): the record.
    open_end: the record is too short to tell how slow the body is."""

    tau_s: Floats
    k_per_a2: Floats
    other_per_w: Floats
    k_share_se: float
    best: int
    open_end: bool
    measured_c: Floats
    fitted_c: Floats
    left_over_k: float

    def interval(self, of: Floats, by_k: float = 0.0) -> tuple[float, float, float]:
        """Best, lowest and highest of a figure known for each time constant (m,). by_k: the power by which it goes with
        k, whose own error at one time constant is added: -0.5 of a current."""
        best = float(of[self.best])
        own = abs(by_k) * Z95 * self.k_share_se * best
        return (
            best,
            best - float(np.hypot(best - np.nanmin(of), own)),
            best + float(np.hypot(np.nanmax(of) - best, own)),
        )

    def lasting_a(self, limit_c: float, air_c: float, other_w: float = 0.0) -> Floats:
        """Current that holds the winding at its limit for ever, for each time constant. other_w: loss without load at
        the speed it turns at."""
        factor = float(copper_factor(np.array([limit_c]))[0])
        room = np.maximum(limit_c - air_c - self.other_per_w * other_w, 0.0)
        return np.asarray(np.sqrt(room / (self.k_per_a2 * factor)))

    def for_a(self, seconds: float, limit_c: float, from_c: float, air_c: float) -> Floats:
        """Current that takes it from from_c to its limit in so many seconds, for each time constant; copper at the mean
        of both."""
        gone = np.exp(-seconds / self.tau_s)
        rise = (limit_c - air_c) - (from_c - air_c) * gone
        factor = float(copper_factor(np.array([0.5 * (limit_c + from_c)]))[0])
        return np.asarray(np.sqrt(np.maximum(rise, 0.0) / (self.k_per_a2 * factor * (1.0 - gone))))


def winding_heat(
    winding_c: Floats, air_c: Floats, amps_squared: Floats, step_s: float, other_w: Floats | None = None
) -> WindingHeat:
    """From means over even steps (n,). other_w: the loss without load, where it is known.

    Raises: ValueError when the record is too short, has a gap, or the winding hardly warmed.
    """
    n = winding_c.size
    if n < LEAST_STEPS:
        raise ValueError("the record is too short for a time constant")
    if not all(np.isfinite(c).all() for c in (winding_c, air_c, amps_squared)):
        raise ValueError("temperature or current has gaps")
    if np.ptp(winding_c) < LEAST_RISE_K:
        raise ValueError(f"the winding warmed by {np.ptp(winding_c):.0f} K only, and {LEAST_RISE_K:.0f} K are needed")
    y = winding_c - air_c
    heat = amps_squared * copper_factor(winding_c)
    coarse = _fits(COARSE_S, y, heat, other_w, step_s)
    kept, _ = _allowed(coarse)
    if kept is None:
        raise ValueError("the winding does not warm with the square of the current")
    taus, best = COARSE_S, 0
    open_end = int(kept[-1]) == COARSE_S.size - 1
    for _ in range(2):  # closer and closer around what is allowed
        low, high = max(int(kept[0]) - 1, 0), min(int(kept[-1]) + 1, taus.size - 1)
        taus = np.geomspace(taus[low], taus[high], FINE)
        fits = _fits(taus, y, heat, other_w, step_s)
        kept, best = _allowed(fits)
        assert kept is not None, "what a coarser look allowed lies within the finer one"
    tau = np.array([fits[k].tau_s for k in kept])
    fitted = fits[int(kept[best])].fitted
    residual = y - fitted
    return WindingHeat(
        tau_s=tau,
        k_per_a2=np.array([fits[k].k_per_a2 for k in kept]),
        other_per_w=np.array([fits[k].other_per_w for k in kept]),
        k_share_se=fits[int(kept[best])].k_share_se,
        best=best,
        open_end=open_end or bool(tau.max() > 3.0 * n * step_s),
        measured_c=winding_c,
        fitted_c=np.asarray(fitted + air_c),
        left_over_k=float(np.sqrt(residual @ residual / n)),
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    tau_s: float
    k_per_a2: float
    other_per_w: float
    k_share_se: float
    fitted: Floats
    residual: Floats

    @property
    def square(self) -> float:
        return float(self.residual @ self.residual)


def _fits(taus_s: Floats, y: Floats, heat: Floats, other_w: Floats | None, step_s: float) -> list[_Fit]:
    """The linear rest for each time constant."""
    time = (np.arange(y.size) + 0.5) * step_s
    out = []
    for tau in taus_s.tolist():
        columns = [within_steps(relax(heat, step_s, tau)), np.exp(-time / tau)]
        if other_w is not None:
            columns.append(within_steps(relax(other_w, step_s, tau)))
        a = np.column_stack(columns)
        found, *_ = np.linalg.lstsq(a, y, rcond=None)
        other = float(found[2]) if other_w is not None else 0.0
        residual = y - a @ found
        k = float(found[0])
        spread = float(residual @ residual) / max(_alone(residual) - 3.0, 1.0)  # fewer points count than there are
        share = float(np.sqrt(np.linalg.pinv(a.T @ a)[0, 0] * spread)) / k if k > 0.0 else np.inf
        out.append(_Fit(tau, k, other, share, a @ found, residual))
    return out


def _alone(residual: Floats) -> float:
    """How many points count, as neighbours are alike."""
    r = max(neighbours_alike(residual, fitted=3), 0.0)
    return max(residual.size * (1.0 - r) / (1.0 + r), 4.0)


def _allowed(fits: list[_Fit]) -> tuple[Indices | None, int]:
    """Places of the time constants that the record allows, and the place of the best among them; None for none."""
    sound = np.array([f.k_per_a2 > 0.0 for f in fits])
    if not sound.any():
        return None, 0
    square = np.array([f.square for f in fits])
    best = int(np.argmin(np.where(sound, square, np.inf)))
    alone = _alone(fits[best].residual)
    kept = np.flatnonzero(sound & (square <= square[best] * np.exp(CHI2_95 / alone)))
    return kept, int(np.flatnonzero(kept == best)[0])
