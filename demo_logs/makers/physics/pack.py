"""Groups in series: open-circuit voltage with branches, ohmic part, a kinetic RC branch that flattens with current, a
slow linear one, own discharge. Arrays are (vehicles, groups); current is positive on discharge.

An RC branch is solved exactly for a current that is constant over a step: v' = (drive - v) / tau, so
v(t + dt) = drive + (v - drive) exp(-dt / tau). Branches of the open-circuit voltage: one state that turns over within
a share of the capacity (G. Plett, J. Power Sources 134 (2004) 277, from memory). Kinetic part: arsinh of the current,
as a Butler-Volmer electrode of equal transfer coefficients has it. Heat: D. Bernardi et al., J. Electrochem. Soc. 132
(1985) 5: current times (open-circuit less terminal voltage), and the entropic term.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.physics.rows import Flags, Floats, between

BOLTZMANN_EV = 8.617333e-5
T25_K = 298.15
BELOW_V, ABOVE_V = 12.0, 9.0  # slope beyond the ends of the table, V per unit of charge (engineering choice)


@dataclass(slots=True)
class Cells:
    """As built: curve (vehicles, points); (vehicles, 1): gap_v, gap_low, turn, fast_s, slow_s, bend_a, ea_ev, ohmic_ea,
    rise_low, rise_width, rise_high, entropy_v_k; (vehicles, groups): ah, ohmic, kinetic, slow [ohm], leak_a, real.
    State, (vehicles, groups): soc, fast_v, slow_v, branch (-1 discharge, +1 charge), temp_c; ohmic_factor and
    kinetic_factor are those of the last refresh()."""

    curve: Floats
    gap_v: Floats
    gap_low: Floats
    turn: Floats
    fast_s: Floats
    slow_s: Floats
    bend_a: Floats
    ea_ev: Floats
    ohmic_ea: Floats
    rise_low: Floats
    rise_width: Floats
    rise_high: Floats
    entropy_v_k: Floats
    ah: Floats
    ohmic: Floats
    kinetic: Floats
    slow: Floats
    leak_a: Floats
    real: Flags
    soc: Floats
    fast_v: Floats
    slow_v: Floats
    branch: Floats
    temp_c: Floats
    ohmic_factor: Floats
    kinetic_factor: Floats

    def refresh(self) -> None:
        """Resistance against its value at 25 degC and mid charge, from temperature and charge as they are now."""
        inverse = (1.0 / (self.temp_c + 273.15) - 1.0 / T25_K) / BOLTZMANN_EV
        empty = np.exp(-np.maximum(self.soc, 0.0) / self.rise_width)
        full = np.exp(-np.maximum(1.0 - self.soc, 0.0) / 0.05)
        shape = 1.0 + self.rise_low * empty + self.rise_high * full
        self.ohmic_factor = np.exp(self.ea_ev * self.ohmic_ea * inverse) * (1.0 + 0.3 * self.rise_low * empty)
        self.kinetic_factor = np.exp(self.ea_ev * inverse) * shape

    def at_rest(self) -> Floats:
        """Open-circuit voltage on the branch where each group stands [V]."""
        half = 0.5 * self.gap_v * (1.0 + self.gap_low * np.exp(-np.maximum(self.soc, 0.0) / 0.2))
        return open_circuit(self.curve, self.soc) + half * self.branch

    def emf(self) -> Floats:
        """Voltage the moment the current stops [V]."""
        return np.asarray(self.at_rest() - self.fast_v - self.slow_v)

    def ohm(self) -> Floats:
        """Resistance that answers at once [ohm]."""
        return np.asarray(self.ohmic * self.ohmic_factor)

    def step(self, current_a: Floats, extra_a: Floats | float, dt: float) -> Floats:
        """One step of dt seconds; heat in each group [W]. current_a (vehicles,): through the string. extra_a: drawn
        from each group beside it (bleeding)."""
        own = current_a[:, None] + extra_a
        drive = self.kinetic * self.kinetic_factor * self.bend_a * np.arcsinh(own / self.bend_a)
        drag = self.slow * self.kinetic_factor * own
        loss = own * (own * self.ohmic * self.ohmic_factor + 0.5 * (self.fast_v + self.slow_v))
        self.fast_v = drive + (self.fast_v - drive) * np.exp(-dt / self.fast_s)
        self.slow_v = drag + (self.slow_v - drag) * np.exp(-dt / self.slow_s)
        loss += own * 0.5 * (self.fast_v + self.slow_v)
        through = own + self.leak_a
        share = dt / 3600.0 / self.ah
        stay = np.exp(-np.abs(through) * share / self.turn)
        self.branch = stay * self.branch - (1.0 - stay) * np.sign(through)
        self.soc = self.soc - through * share
        return np.asarray(loss - own * (self.temp_c + 273.15) * self.entropy_v_k)

    def idle(self, hours: Floats, ah: Floats) -> None:
        """Time without steps: relaxation, own discharge, and `ah` (vehicles, groups) taken on the way."""
        seconds = hours[:, None] * 3600.0
        self.fast_v = self.fast_v * np.exp(-seconds / self.fast_s)
        self.slow_v = self.slow_v * np.exp(-seconds / self.slow_s)
        taken = ah + self.leak_a * hours[:, None]
        stay = np.exp(-np.abs(taken) / self.ah / self.turn)
        self.branch = stay * self.branch - (1.0 - stay) * np.sign(taken)
        self.soc = self.soc - taken / self.ah


def open_circuit(curve: Floats, soc: Floats) -> Floats:
    """Voltage at soc (vehicles, groups) by each vehicle's own table (vehicles, points); straight beyond the ends."""
    points = curve.shape[1] - 1
    place = between(soc, 0.0, 1.0) * points
    low: NDArray[np.intp] = np.minimum(place.astype(np.intp), points - 1)
    at = low + np.arange(len(curve))[:, None] * curve.shape[1]
    flat = curve.ravel()
    below = flat.take(at)
    inside = below + (place - low) * (flat.take(at + 1) - below)
    return np.asarray(inside + np.minimum(soc, 0.0) * BELOW_V + np.maximum(soc - 1.0, 0.0) * ABOVE_V)


def current_for(power_w: Floats, emf: Floats, ohm: Floats) -> Floats:
    """Current at which a source gives this power: the smaller root; at most what gives the most power [A]."""
    room = np.maximum(emf * emf - 4.0 * ohm * power_w, 0.0)
    return np.asarray((emf - np.sqrt(room)) / (2.0 * ohm))
