"""Small candump logs of an invented board ridden for a minute, written with cantools frame by frame.

Plain on purpose: steady speed, one braking, one current pulse. `hot` heats the left winding, `weak` pulls
cell 7 down, so that rules have something to find. The same arguments give the same bytes.
"""

from __future__ import annotations

import math
import os
import warnings
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PROFILES = ROOT / "dbc_demo"
T0 = datetime(2026, 3, 1, 7, 0, tzinfo=UTC)
STEP_S = 0.1


@cache
def _bus() -> Any:
    with warnings.catch_warnings():  # cantools imports python-can, which imports asammdf, which is behind canmatrix
        warnings.filterwarnings("ignore", message="Importing from 'canmatrix", category=DeprecationWarning)
        import cantools
    return cantools.database.load_file(PROFILES / "zirbel.dbc")


def _frames(second: float, serial: int, hot: float, weak: float) -> list[tuple[str, dict[str, float]]]:
    amps = 40.0 if 20 <= second < 30 else -15.0 if 40 <= second < 46 else 12.0 + 3 * math.sin(second)
    cells = {f"Group{n:02d}": 3.300 - 0.002 * amps / 10 - (weak if n == 7 else 0.0) for n in range(1, 13)}
    braking = 40 <= second < 46
    fixed = {"CommandAlive": int(second * 10) % 16, "CommandCrc": 0}
    out: list[tuple[str, dict[str, float]]] = [
        (
            "CTRL_Command",
            {
                "Throttle": 0 if braking else 40,
                "BrakeDemand": 50 if braking else 0,
                "Trigger": 1,
                "LinkQuality": 95,
                "PacketAge": 20,
                **fixed,
            },
        ),
        (
            "CTRL_Brake",
            {
                "RegenWanted": 15 * braking,
                "RegenDelivered": 15 * braking,
                "RegenAllowed": 25,
                "RegenState": int(braking),
                "BrakeAlive": int(second * 10) % 16,
                "BrakeCrc": 0,
            },
        ),
        (
            "BMS_Pack",
            {
                "PackVoltage": sum(cells.values()),
                "PackCurrent": amps,
                "PackSoc": 70 - second / 60,
                "PackAlive": int(second * 10) % 16,
                "PackCrc": 0,
            },
        ),
        ("VEH_Motion", {"WheelSpeed": 5.0, "Odometer": 100 + second * 0.005}),
        ("MOT_Heat", {"LeftWinding": hot, "RightWinding": 45, "LeftFet": 40, "RightFet": 40}),
    ]
    for page in range(3):
        groups = {k: v for k, v in cells.items() if (int(k[5:]) - 1) // 4 == page}
        out.append(("BMS_Cells", {"CellPage": page, **groups}))
    if round(second / STEP_S) % 10 == 0:
        temps = {f"CellTemp{n}": 24.0 for n in range(1, 5)}
        out += [
            ("BMS_Heat", {**temps, "BmsTemp": 28.0, "AirTemp": 18.0}),
            ("ID_Serials", {"VehicleSerial": serial, "ControllerSerial": 7000 + serial}),
            ("ID_Pack", {"PackSerial": 9000 + serial, "PackFirmware": 3, "PackHardware": 1}),
        ]
    return out


def write_ride(
    folder: Path,
    serial: int,
    day: int,
    *,
    seconds: float = 60.0,
    hot: float = 50.0,
    weak: float = 0.0,
    hour: float = 0.0,
) -> Path:
    """One log `ZB-<serial>/<day>.log`; its file is an hour old, so that the inbox takes it at once."""
    path = folder / f"ZB-{serial:04d}" / f"{day:03d}-{hour:04.1f}.log"
    path.parent.mkdir(parents=True, exist_ok=True)
    start = (T0 + timedelta(days=day, hours=hour)).timestamp()
    lines = []
    for tick in range(round(seconds / STEP_S)):
        for nth, (name, values) in enumerate(_frames(tick * STEP_S, serial, hot, weak)):
            message = _bus().get_message_by_name(name)
            full = {s.name: 0 for s in message.signals if not s.multiplexer_ids} | values
            data = message.encode(full, strict=False)
            lines.append(f"({start + tick * STEP_S + nth * 1e-4:.6f}) can0 {message.frame_id:03X}#{data.hex().upper()}")
    path.write_text("\n".join(lines) + "\n", "ascii")
    old = datetime.now(UTC).timestamp() - 3600
    os.utime(path, (old, old))
    return path


def write_fleet(folder: Path, vehicles: int, days: int, **more: float) -> list[Path]:
    return [write_ride(folder, v, d, **more) for v in range(1, vehicles + 1) for d in range(days)]
