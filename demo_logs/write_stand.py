"""An invented test stand's records for the manual: coasts on two tyres.

python -m demo_logs.write_stand [FOLDER]        default demo_logs/stand; the same bytes every time on the same machine

The physics here is its own, plain enough to be read: nothing of pipeline/science is used.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
FOLDER = Path(__file__).parent / "stand"
TYRES = {  # force that does not depend on speed [N], air [N s2/m2], seed
    "tyre_a": (15.1, 0.34, 3),
    "tyre_b": (12.9, 0.34, 4),
}
MASS, TURNING = 101.4, 3.0
SLOPE_N = 2.6


def write(folder: Path) -> list[Path]:
    """All files; those written."""
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for name, (f0, f2, seed) in TYRES.items():
        t, v = coasts(f0, f2, np.random.default_rng(seed))
        out.append(folder / f"{name}.csv")
        rows = [f"{a:.1f},{3.6 * b:.2f}\n" for a, b in zip(t.tolist(), v.tolist(), strict=True)]
        out[-1].write_text("time [s],vehicle_speed [km/h]\n" + "".join(rows), "utf-8")
        out.append(folder / f"{name}.toml")
        out[-1].write_text(SHEET.format(letter=name[-1].upper(), name=name), "utf-8")
    return out


SHEET = """\
# The sheet of a coast-down: what was tried, by which instruments, in which conditions.
test = "coast-down"
name = "Zirbel 12, tyre {letter}"
mass_kg = 101.4          # weighed, with rider
mass_se_kg = 0.3         # standard error of the scale
turning_kg = 3.0         # what wheels, belts and motors add: their inertia over the radius squared
turning_se_kg = 0.4
air_c = 12.0
pressure_kpa = 97.4
speed_se_pct = 0.3       # of the speed sensor, held against a measured distance

[[run]]
log = "{name}.csv"
directions = ["there", "back", "there", "back", "there", "back", "there", "back"]
"""


def coasts(f0: float, f2: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Eight coasts from 34 km/h, there and back in turn, each after a run-up of eight seconds. Times and speeds."""
    step, sampled = 0.02, 10
    speeds: list[float] = []
    for number in range(8):
        way = 1.0 if number % 2 == 0 else -1.0
        wind = way * (0.8 + 0.15 * float(rng.normal()))
        speeds += np.linspace(1.0, 34 / 3.6, 400).tolist()
        v, gust = 34 / 3.6, 0.0
        while v > 1.0:
            gust += -gust * step / 4.0 + 0.25 * np.sqrt(2 * step / 4.0) * float(rng.normal())
            through = v + wind + gust
            v -= step / (MASS + TURNING) * (f0 + f2 * through * abs(through) + way * SLOPE_N)
            speeds.append(v)
    every = np.array(speeds)[::sampled]
    return np.arange(every.size, dtype=np.float64) * step * sampled, every + 0.015 * rng.normal(size=every.size)


if __name__ == "__main__":
    for path in write(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER):
        print(path.name, path.stat().st_size)
