"""An invented test stand's records for the manual: coasts on two tyres, a motor with two firmwares, and a pack.

python -m demo_logs.write_stand [FOLDER]        default demo_logs/stand; the same bytes every time on the same machine

The physics here is its own, plain enough to be read: nothing of pipeline/science is used.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from demo_logs.bench_log import bench_frames
from demo_logs.stand_machine import STEP, Floats, Machine, Run, run, usual_levels
from demo_logs.stand_pack import Bench, bench_test, usual_pack
from demo_logs.writers import write_log
from herdbook.decoders.arrays import I64
from herdbook.decoders.frames import Frames
from herdbook.pipeline.vehicle.profile import Profile, load_profile

PROFILE = Path(__file__).parents[1] / "dbc_demo" / "zirbel.toml"
BEGIN = 1_773_300_000_000_000  # 12 March 2026
FOLDER = Path(__file__).parent / "stand"
TYRES = {  # force that does not depend on speed [N], air [N s2/m2], seed
    "tyre_a": (15.1, 0.34, 3),
    "tyre_b": (12.9, 0.34, 4),
}
DRIVES = {  # by firmware: the newer one drives its power stage with less loss
    "drive_14": (Machine(), 8),
    "drive_15": (replace(Machine(), stage_w=4.0, stage_v=0.25), 9),
}
MASS, TURNING = 101.4, 3.0
SLOPE_N = 2.6


def write(folder: Path) -> list[Path]:
    """All files; those written."""
    folder.mkdir(parents=True, exist_ok=True)
    return [*write_coasts(folder), *write_drives(folder), *write_pack(folder)]


def write_coasts(folder: Path) -> list[Path]:
    out = []
    for name, (f0, f2, seed) in TYRES.items():
        t, v = coasts(f0, f2, np.random.default_rng(seed))
        out.append(folder / f"{name}.csv")
        rows = [f"{a:.1f},{3.6 * b:.2f}\n" for a, b in zip(t.tolist(), v.tolist(), strict=True)]
        out[-1].write_text("time [s],vehicle_speed [km/h]\n" + "".join(rows), "utf-8")
        out.append(folder / f"{name}.toml")
        out[-1].write_text(SHEET.format(letter=name[-1].upper(), name=name), "utf-8")
    return out


def write_drives(folder: Path) -> list[Path]:
    out = []
    for name, (machine, seed) in DRIVES.items():
        rng = np.random.default_rng(seed)
        ran = run(machine, usual_levels(rng))
        profile = load_profile(PROFILE)
        out.append(folder / f"{name}.log.gz")
        write_log(out[-1], drive_log(ran, profile, rng))
        out.append(folder / f"{name}.csv")
        out[-1].write_text(cell_table(ran, rng), "utf-8")
        out.append(folder / f"{name}.toml")
        out[-1].write_text(DRIVE_SHEET.format(name=name, number=name[-2:]), "utf-8")
    return out


def write_pack(folder: Path) -> list[Path]:
    rng = np.random.default_rng(5)
    log, sheet = folder / "pack.log.gz", folder / "pack.toml"
    write_log(log, pack_log(bench_test(usual_pack(rng)), load_profile(PROFILE), rng))
    sheet.write_text(PACK_SHEET, "utf-8")
    return [log, sheet]


def pack_log(of: Bench, profile: Profile, rng: np.random.Generator, air_c: float = 25.0) -> Frames:
    """What the bus carries while the pack is on the bench."""
    us = BEGIN + (of.t * 1e6).astype(np.int64)
    volts = of.volts + 4e-4 * rng.normal(size=of.volts.shape)
    amps = of.amps + 0.02 * rng.normal(size=of.amps.size)
    pack: dict[str, ArrayLike] = {
        "PackVoltage": of.volts.sum(axis=1),
        "PackCurrent": amps,
        "PackSoc": 100 * of.share.min(axis=1),
    }
    heat: dict[str, ArrayLike] = dict.fromkeys(("AirTemp", *(f"CellTemp{k}" for k in range(1, 5))), air_c)
    samples: dict[str, tuple[I64, dict[str, ArrayLike]]] = {
        "BMS_Pack": (us, pack),
        "BMS_Heat": (us[::6] + 3_000, heat),
    }
    for page in range(3):
        groups: dict[str, ArrayLike] = {f"Group{4 * page + k + 1:02d}": volts[:, 4 * page + k] for k in range(4)}
        samples[f"BMS_Cells#{page}"] = us + 2_000 * (page + 1), {"CellPage": float(page)} | groups
    return bench_frames(profile, samples)


PACK_SHEET = """\
# The sheet of a pack test: from full to empty with pulses on the way, and back to full.
test = "pack"
name = "Pack 0417"
profile = "../../dbc_demo/zirbel.toml"
logs = ["pack.log.gz"]
begins = "full"          # it came off the charger
empty_v = 2.80           # the discharge ends when the lowest group is there

[errors]                 # standard errors of the instruments
current_a = 0.01         # of its zero
current_pct = 0.2
voltage_pct = 0.05
"""


def drive_log(ran: Run, profile: Profile, rng: np.random.Generator, every: int = 10, air_c: float = 23.0) -> Frames:
    """What the bus carries: motor and pack every 0.2 s, temperatures every second."""
    us = BEGIN + (ran.t * 1e6).astype(np.int64)
    k, slow = slice(None, None, every), slice(None, None, 50)

    def noisy(values: Floats, sd: float) -> Floats:
        return np.asarray(values + sd * rng.normal(size=values.size))

    motor: dict[str, ArrayLike] = {
        "LeftSpeed": noisy(ran.rpm[k], 1.5),
        "LeftTorqueCurrent": noisy(ran.amps[k], 0.15),
        "LeftDcLink": noisy(ran.volts[k], 0.03),
    }
    pack: dict[str, ArrayLike] = {
        "PackVoltage": noisy(ran.volts[k], 0.01),
        "PackCurrent": noisy(ran.current[k], 0.05),
        "PackSoc": 71.0,
    }
    return bench_frames(
        profile,
        {
            "MOT_Left": (us[k], motor),
            "BMS_Pack": (us[k] + 7_000, pack),
            "MOT_Heat": (us[slow], {"LeftWinding": noisy(ran.winding_c[slow], 0.2), "RightWinding": 22.0}),
            "BMS_Heat": (us[slow] + 3_000, {"AirTemp": air_c}),
        },
    )


def cell_table(ran: Run, rng: np.random.Generator, late_s: float = 4.37, drift: float = 60e-6) -> str:
    """The load cell's own record: begins later, and its clock runs fast by `drift`."""
    t = np.arange(0.0, ran.t[-1] - late_s - 1.0, 0.2)
    true = late_s + t / (1.0 + drift)
    torque = np.interp(true, ran.t, ran.torque) + 0.01 * rng.normal(size=t.size)
    at = np.minimum((true / STEP).astype(int), ran.t.size - 1)
    volts = ran.line_volts[at]
    rows = [
        f"{a:.1f},{b:.3f},{'' if c != c else f'{c:.2f}'}\n"
        for a, b, c in zip(t.tolist(), torque.tolist(), volts.tolist(), strict=True)
    ]
    return "time [s],torque [Nm],line_voltage [V]\n" + "".join(rows)


DRIVE_SHEET = """\
# The sheet of a drive test: the bus log of the vehicle's drive, and the load cell's own record.
test = "drive"
name = "Zirbel 12, left motor, firmware {number}"
profile = "../../dbc_demo/zirbel.toml"
log = "{name}.log.gz"
motor = "left"
table = "{name}.csv"      # on a clock of its own

[errors]                 # standard errors of the instruments, in their unit and as a share
torque_nm = 0.01
torque_pct = 0.2
speed_rpm = 1.0
current_a = 0.03
current_pct = 0.3
voltage_v = 0.01
voltage_pct = 0.1
motor_current_a = 0.1
motor_current_pct = 0.5

[winding]
line_ohm = 0.0925        # between two terminals, by a four-wire meter
line_at_c = 21.5
line_se_ohm = 0.0003
rating_air_c = 25.0      # for the torque the motor bears; its limit stands in the profile
"""
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
