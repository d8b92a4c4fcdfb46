"""LFP groups: open-circuit voltage with hysteresis, ohmic part, one RC branch, self-discharge, temperature.

Every array is (vehicles, groups). Current is positive on discharge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BOLTZMANN_EV = 8.617333e-5
T25_K = 298.15

# Window of lithium contents between 2.0 V and 3.6 V, solved from the two functions below with the electrode
# sizes of E. Prada et al., J. Electrochem. Soc. 160 (2013) A616 as the open PyBaMM set "Prada2013" carries
# them.
NEGATIVE = (0.0176179, 0.8100435)  # graphite, empty and full
POSITIVE = (0.7035020, 0.0037616)  # iron phosphate, empty and full


def graphite_v(x: Floats) -> Floats:
    """Graphite against lithium. Source: C.-H. Chen et al., J. Electrochem. Soc. 167 (2020) 080534."""
    return np.asarray(
        1.9793 * np.exp(-39.3631 * x)
        + 0.2482
        - 0.0909 * np.tanh(29.8538 * (x - 0.1234))
        - 0.04478 * np.tanh(14.9159 * (x - 0.2769))
        - 0.0205 * np.tanh(30.4444 * (x - 0.6103))
    )


def iron_phosphate_v(y: Floats) -> Floats:
    """LFP against lithium. Source: S. Afshar, K. Morris, A. Khajepour, arXiv:1709.03970 (2017)."""
    return np.asarray(3.4077 - 0.020269 * y + 0.5 * np.exp(-150 * y) - 0.9 * np.exp(-30 * (1 - y)))


def _cell_v(soc: Floats) -> Floats:
    x = NEGATIVE[0] + soc * (NEGATIVE[1] - NEGATIVE[0])
    y = POSITIVE[0] + soc * (POSITIVE[1] - POSITIVE[0])
    return iron_phosphate_v(y) - graphite_v(x)


_SOC = np.linspace(0.0, 1.0, 2001)
_OCV = _cell_v(_SOC)
_LOW = float((_OCV[1] - _OCV[0]) / (_SOC[1] - _SOC[0]))
_HIGH = float((_OCV[-1] - _OCV[-2]) / (_SOC[-1] - _SOC[-2]))


def ocv(soc: Floats) -> Floats:
    """Open-circuit voltage without hysteresis [V] at a state of charge of 0..1; straight lines beyond the ends."""
    inside = np.interp(soc, _SOC, _OCV)
    return np.asarray(inside + np.minimum(soc, 0.0) * _LOW + np.maximum(soc - 1.0, 0.0) * _HIGH)


@dataclass(slots=True)
class Cells:
    """Groups of a batch of vehicles, and their state.

    ah: capacity. ohmic, slow: resistance of the two parts at 25 degC, mid charge [ohm]. leak_a: own
    discharge. tau_s: time constant of the slow part. ea_ev: activation energy of both. hysteresis_v: half
    the gap between the charge and the discharge branch (common figure for LFP: about 20 mV gap, from
    memory). hyst: -1 discharge branch, +1 charge branch; it turns over within `turn` of the capacity
    (one-state form: G. Plett, J. Power Sources 134 (2004) 277, from memory).
    """

    ah: Floats
    ohmic: Floats
    slow: Floats
    leak_a: Floats
    soc: Floats
    slow_v: Floats
    hyst: Floats
    temp_c: Floats
    tau_s: float = 15.0
    ea_ev: float = 0.28
    hysteresis_v: float = 0.010
    turn: float = 0.05

    def factor(self) -> Floats:
        """Resistance against its value at 25 degC and mid charge: Arrhenius, and a rise below about 12 % charge."""
        kelvin = self.temp_c + 273.15
        warm = np.exp(self.ea_ev / BOLTZMANN_EV * (1.0 / kelvin - 1.0 / T25_K))
        return np.asarray(warm * (1.0 + 1.2 * np.exp(-np.maximum(self.soc, 0.0) / 0.06)))

    def emf(self) -> Floats:
        """Voltage at once after the current stops: open-circuit, hysteresis, slow part [V]."""
        return ocv(self.soc) + self.hysteresis_v * self.hyst - self.slow_v

    def advance(self, current_a: Floats, extra_a: Floats, dt: float, factor: Floats) -> Floats:
        """One step of dt seconds; heat [W] in each group.

        current_a: (vehicles,) through the string. extra_a: (vehicles, groups) drawn from each group beside it.
        """
        own = current_a[:, None] + extra_a
        through = own + self.leak_a
        drop = own * self.slow * factor
        keep = np.exp(-dt / self.tau_s)
        mean_v = drop + (self.slow_v - drop) * (1.0 - keep) * self.tau_s / dt
        heat = own * own * self.ohmic * factor + own * mean_v
        self.slow_v = drop + (self.slow_v - drop) * keep
        share = dt / 3600.0 / self.ah
        stay = np.exp(-np.abs(through) * share / self.turn)
        self.hyst = stay * self.hyst - (1.0 - stay) * np.sign(through)
        self.soc = self.soc - through * share
        return np.asarray(heat)
