"""Open-circuit voltage to state of charge and back, with the error that the slope and the table allow.

On the plateau 1 mV is several per cent, so the error is part of every answer and the caller refuses what is too vague.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats

BRANCHES = {"charge": 1.0, "middle": 0.0, "discharge": -1.0}


@dataclass(frozen=True, slots=True)
class Ocv:
    """soc_pct rising, middle_v strictly rising, sd_v (n,); half_gap_v: charge branch above, discharge branch below."""

    soc_pct: Floats
    middle_v: Floats
    sd_v: Floats
    half_gap_v: float
    name: str

    def volts(self, soc_pct: Floats | float, branch: str = "middle") -> Floats:
        """Rest voltage at a state of charge. KeyError for an unknown branch."""
        return np.asarray(np.interp(soc_pct, self.soc_pct, self.middle_v) + BRANCHES[branch] * self.half_gap_v)

    def soc(self, volts: float, volts_se: float = 0.0, branch: str = "middle") -> tuple[float, float]:
        """(state of charge, standard error), both in %.

        The error is that of reading and table over the slope around the point: the chord over one error
        either way, so that a flat stretch beside a knee is not overlooked.
        """
        curve = self.middle_v + BRANCHES[branch] * self.half_gap_v
        soc = float(np.interp(volts, curve, self.soc_pct))
        u = float(np.hypot(np.interp(soc, self.soc_pct, self.sd_v), volts_se))
        low, high = (float(np.interp(volts + s * u, curve, self.soc_pct)) for s in (-1, 1))
        return soc, max(0.5 * (high - low), 0.3)
