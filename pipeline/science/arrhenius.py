"""How rates and resistances change with temperature: exp(Ea / k (1/T1 - 1/T2)).

Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1 (Arrhenius), with k = 8.617e-5 eV/K.
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats

BOLTZMANN_EV = 8.617e-5
KELVIN = 273.15


def acceleration(ea_ev: float, use_c: Floats | float, stress_c: Floats | float) -> Floats:
    """How many times faster a process runs at stress_c than at use_c, both degC."""
    use = np.asarray(use_c, np.float64) + KELVIN
    stress = np.asarray(stress_c, np.float64) + KELVIN
    return np.asarray(np.exp(ea_ev / BOLTZMANN_EV * (1.0 / use - 1.0 / stress)))


def resistance_factor(ea_ev: float, temp_c: Floats | float, reference_c: float = 25.0) -> Floats:
    """Resistance at temp_c over that at reference_c: ions and charge transfer slow down in the cold."""
    return acceleration(ea_ev, temp_c, reference_c)


def equivalent_hours(ea_ev: float, temp_c: Floats, hours: Floats, reference_c: float = 25.0) -> float:
    """Hours at reference_c that age as much as the given hours at temp_c. A rule of thumb, not a life forecast."""
    return float((acceleration(ea_ev, reference_c, temp_c) * hours).sum())


def equivalent_temp_c(ea_ev: float, factor: float) -> float:
    """The constant temperature that ages `factor` times as fast as 25 degC: hours at 25 degC over true hours."""
    return float(1.0 / (1.0 / (25.0 + KELVIN) - np.log(factor) * BOLTZMANN_EV / ea_ev) - KELVIN)
