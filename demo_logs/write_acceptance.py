"""An invented stand's log for an acceptance test: both motors spin without load, then one is held at a point; and a
reading.

python -m demo_logs.write_acceptance [FOLDER]        default demo_logs/acceptance; the same bytes every time

It stands for the unit ZB-0101 on the morning of its first ride. The physics is plain enough to be read: a drag that
grows with speed, a torque constant, a share of losses. Nothing of the program that judges is used.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from demo_logs.bench_log import bench_frames
from demo_logs.writers import write_log
from herdbook.decoders.arrays import I64
from herdbook.pipeline.vehicle.profile import load_profile

PROFILE = Path(__file__).parents[1] / "dbc_demo" / "zirbel.toml"
FOLDER = Path(__file__).parent / "acceptance"
NAME = "ZB-0101_2026-03-02_stand.log.gz"
BEGIN = 1_772_431_200_000_000  # 2 March 2026, 06:00 UTC
LENGTH_S, SEED = 60.0, 11
FREE_RPM, POINT_RPM, POINT_A = 2500.0, 1500.0, 30.0
DRAG_A = {"Left": (0.9, 1.6e-4), "Right": (1.0, 1.5e-4)}  # A, and A per rpm: what each motor needs without load
TORQUE_NM_A, LOST, BUS_V, IDLE_A, AIR_C = 0.070, 0.14, 39.4, 0.5, 14.0


def write(folder: Path) -> list[Path]:
    """The log, its sidecar and the readings; those written."""
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / NAME
    write_log(log, bench_frames(load_profile(PROFILE), samples()))
    sidecar, readings = folder / f"{NAME}.toml", folder / "ZB-0101_readings.toml"
    sidecar.write_text("bench = true\n", "utf-8")
    readings.write_text(READINGS, "utf-8")
    return [log, sidecar, readings]


def samples() -> dict[str, tuple[I64, dict[str, ArrayLike]]]:
    """By message: times and signals. 10 to 25 s free, 35 to 50 s the left motor at its point, the stand's brake on
    it."""
    rng = np.random.default_rng(SEED)
    t = np.arange(0.0, LENGTH_S, 0.05)
    free, point = ramp(t, 10, 25), ramp(t, 35, 50)
    speed = {"Left": FREE_RPM * free + POINT_RPM * point, "Right": FREE_RPM * free}
    amps = {side: (a + b * speed[side]) * (speed[side] > 1) for side, (a, b) in DRAG_A.items()}
    amps["Left"] = np.where(point > 0, POINT_A * point, amps["Left"])
    shaft = TORQUE_NM_A * np.pi / 30 * (amps["Left"] * speed["Left"] + amps["Right"] * speed["Right"])
    watts = shaft / (1 - LOST)
    us = BEGIN + (t * 1e6).astype(np.int64)

    def noisy(v: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
        return np.asarray(v + sd * rng.normal(size=v.size))

    driven = ((free > 0) | (point > 0)).astype(float)
    pack: dict[str, ArrayLike] = {
        "PackVoltage": noisy(BUS_V - 0.02 * watts / BUS_V, 0.01),
        "PackCurrent": noisy(IDLE_A + watts / BUS_V, 0.05),
        "PackSoc": 88.0,
    }
    cool: dict[str, ArrayLike] = dict.fromkeys(("AirTemp", "BmsTemp", *(f"CellTemp{k}" for k in range(1, 5))), AIR_C)
    out: dict[str, tuple[I64, dict[str, ArrayLike]]] = {
        "CTRL_Command": (us, {"Throttle": 30.0 * driven, "Trigger": driven, "LinkQuality": 98.0, "PacketAge": 20.0}),
        "BMS_Pack": (us + 9_000, pack),
        "MOT_Heat": (us[::10], {f"{side}{part}": AIR_C for side in speed for part in ("Winding", "Fet")}),
        "BMS_Heat": (us[::20] + 3_000, cool),
    }
    for place, side in enumerate(speed):
        motor: dict[str, ArrayLike] = {
            f"{side}Speed": noisy(speed[side], 1.5),
            f"{side}TorqueCurrent": noisy(amps[side], 0.15),
            f"{side}DcLink": noisy(np.full(t.size, BUS_V), 0.03),
        }
        out[f"MOT_{side}"] = us + 2_000 * (place + 1), motor
    return out


def ramp(t: NDArray[np.float64], start: float, end: float, over_s: float = 2.0) -> NDArray[np.float64]:
    """0, up to 1 within over_s after start, and down to 0 within over_s before end."""
    return np.clip(np.minimum(t - start, end - t) / over_s, 0.0, 1.0)


READINGS = """\
# What instruments beside the bus read. Invented, as the unit and its test are.
[[reading]]
name = "insulation"
value = 18.4
unit = "MOhm"
error = 0.6                    # standard uncertainty, of the tester's calibration sheet
instrument = "insulation tester 3, 100 V"
who = "bench 2"

[[reading]]
name = "contactor drop"
value = 11.2
unit = "mV"
error = 0.4
instrument = "voltmeter 7, at 40 A"
who = "bench 2"
"""

if __name__ == "__main__":
    for path in write(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER):
        print(path)
