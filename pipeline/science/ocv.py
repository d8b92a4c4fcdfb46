"""Open-circuit voltage to state of charge and back, with the error that the slope and the table allow.

A table is data, one file a chemistry under pipeline/chemistry; a profile may bring its own. On the plateau 1
mV is several per cent, so the error is part of every answer and the caller refuses what is too vague.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from herdbook.pipeline.arrays import Floats

CHEMISTRY = Path(__file__).parents[1] / "vehicle" / "chemistries"
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


@cache
def chemistries() -> tuple[str, ...]:
    """Names of the shipped chemistries, in order."""
    return tuple(sorted(p.stem.upper() for p in CHEMISTRY.glob("*.toml")))


@cache
def chemistry_version(chemistry: str) -> int:
    """The version that the chemistry's file gives itself; 0 when there is no such file."""
    path = CHEMISTRY / f"{chemistry.lower()}.toml"
    return int(tomllib.loads(path.read_text("utf-8"))["version"]) if path.is_file() else 0


@cache
def table(chemistry: str) -> Ocv:
    """The shipped table of a chemistry, by name ("LFP"). KeyError when there is none."""
    path = CHEMISTRY / f"{chemistry.lower()}.toml"
    if not path.is_file():
        raise KeyError(f"no open-circuit table for chemistry {chemistry!r}; known: {', '.join(chemistries())}")
    raw = tomllib.loads(path.read_text("utf-8"))
    soc, middle, sd = (np.array(raw[key], np.float64) for key in ("soc_pct", "middle_v", "sd_v"))
    return Ocv(soc, middle, sd, float(raw["half_gap_v"]), f"{raw['chemistry']} version {raw['version']}")


def of_pack(pack: Mapping[str, object]) -> Ocv | None:
    """The pack's own table when its profile brings one, else its chemistry's; None when neither is known."""
    soc, volts = pack.get("ocv_soc_pct"), pack.get("ocv_v")
    if isinstance(soc, list) and isinstance(volts, list):
        given = pack.get("ocv_sd_v")
        sd = np.full(len(soc), float(given) if isinstance(given, int | float) else 0.005)
        return Ocv(np.array(soc, np.float64), np.array(volts, np.float64), sd, 0.0, "profile")
    try:
        return table(str(pack.get("chemistry", "")))
    except KeyError:
        return None
