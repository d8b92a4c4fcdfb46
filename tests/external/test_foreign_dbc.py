"""From bus descriptions by people who never saw this project to a judged vehicle, without editing them.

Two vehicles out of cantools' source archive (45.1.0, MIT): groups of a solar car's battery (msxii_system_can.dbc) with
a data logger's speed and analogue inputs (vehicle.dbc), and a whole car in another format, which is sound only in part
(the_homer.kcd). Physics: tests/external/foreign.py.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.external.fetch import folder_of
from tests.external.foreign import Day, Sender, database_of, day, write_log
from tests.toy.bench import Bench

ROOT = folder_of("cantools")
FILES = ROOT / "cantools-45.1.0" / "tests" / "files" if ROOT else None
needs_files = pytest.mark.skipif(FILES is None, reason="cantools' archive is absent: run `make sources` first")

SOLAR = """
[vehicle]
mass_kg = 320.0

[pack]
chemistry = "LFP"
cells = 36
rated_ah = 40.0
cell_min_v = 2.50
cell_max_v = 3.65

[[bus]]
dbc = "msxii_system_can.dbc"
[[bus]]
dbc = "vehicle.dbc"

[identity]
path = "(?P<vehicle>MS-\\\\d{2})"

[roles]
cell_voltage = { signal = "BATTERY_VT.MODULE_VOLTAGE_{00..35}", unit = "V", scale = 1e-4 }
cell_temp = { signal = "BATTERY_VT.MODULE_TEMP_{00..35}", unit = "degC", scale = 0.01 }
vehicle_speed = "RT_SB_Speed.Speed"
pack_current = { value = "(RT_DL1MK3_Analog_29.Analog_29 - 10) * 20", unit = "A" }
pack_voltage = { signal = "RT_DL1MK3_Analog_30.Analog_30", unit = "V", scale = 5 }
"""

CAR = """
[vehicle]
mass_kg = 1200.0

[drive]
motors = 1
gear = 7.0
wheel_m = 0.60

[[bus]]
dbc = "the_homer.kcd"
lenient = true

[identity]
path = "(?P<vehicle>HM-\\\\d{2})"

[roles]
vehicle_speed = { signal = "ABS.SpeedKm", not_available = [3355443.0] }
motor_speed = { signal = "Emission.Enginespeed", unit = "rpm" }
ambient_temp = { signal = "ABS.OutsideTemp", unit = "degC" }
"""


def judged(folder: Path, vehicle: str) -> tuple[set[str], set[str], list[tuple[Any, ...]]]:
    """Rules that judged it, those that did not, and its findings, after a scan."""
    bench = Bench(folder, folder / "profiles")
    bench.scan()
    assert bench.reasons() == {}
    out = {r for (r,) in bench.ask("SELECT rule FROM not_assessed WHERE vehicle = ?", vehicle)}
    findings = bench.ask("SELECT rule, item, severity FROM findings WHERE vehicle = ?", vehicle)
    from herdbook.pipeline.health.rules import all_rules

    return set(all_rules()) - out, out, findings


def check(folder: Path, name: str) -> dict[str, Any]:
    """What `profile check --log` says of the profile held against the logs."""
    command = [sys.executable, "-m", "herdbook.flows.cli", "profile", "check", str(folder / "profiles" / name)]
    done = subprocess.run([*command, "--log", str(folder / "inbox"), "--json"], capture_output=True, check=False)
    assert done.returncode == 0, done.stdout.decode()[-2000:] + done.stderr.decode()[-2000:]
    return dict(json.loads(done.stdout))


def _profile(folder: Path, name: str, text: str, *files: Path) -> list[Path]:
    (folder / "profiles").mkdir(parents=True)
    (folder / "profiles" / f"{name}.toml").write_text(text)
    for file in files:
        (folder / "profiles" / file.name).write_bytes(file.read_bytes())
    return [folder / "profiles" / file.name for file in files]


@needs_files
@pytest.mark.slow
def test_a_solar_car_s_groups_are_judged(tmp_path: Path) -> None:
    assert FILES is not None
    paths = _profile(tmp_path, "solar", SOLAR, FILES / "dbc" / "msxii_system_can.dbc", FILES / "dbc" / "vehicle.dbc")
    database = database_of(*paths)

    def cell(made: Day, k: int) -> dict[str, float]:
        g = k // 2 % 36
        return {
            "BATTERY_VT_INDEX": g,
            f"MODULE_VOLTAGE_{g:02d}": round(1e4 * float(made.volts[g, k])),
            f"MODULE_TEMP_{g:02d}": round(100 * float(made.temp_c[k])),
        }

    senders = [
        Sender("BATTERY_VT", 0.2, cell),
        Sender("RT_SB_Speed", 0.2, lambda d, k: zeros(database, "RT_SB_Speed", Speed=float(d.speed_ms[k]))),
        Sender("RT_DL1MK3_Analog_29", 0.2, lambda d, k: {"Analog_29": 10 + float(d.amps[k]) / 20}),
        Sender("RT_DL1MK3_Analog_30", 0.2, lambda d, k: {"Analog_30": float(d.volts[:, k].sum()) / 5}),
    ]
    for number in range(3):
        made = day(36, 40.0, 320.0, seed=number)
        write_log(tmp_path / "inbox" / f"MS-01_{number}.log", database, made, senders, number)
    check(tmp_path, "solar.toml")
    rules, _, findings = judged(tmp_path, "MS-01")
    assert {"group_over_voltage", "group_under_voltage", "loose_sense_wire", "pack_sum_disagrees"} <= rules
    assert {"cold_charging", "hot_because_of_load", "heat_without_load", "temp_sensor_fault"} <= rules
    assert not findings, findings


@needs_files
def test_a_car_described_in_another_format_is_judged_as_far_as_it_is_mapped(tmp_path: Path) -> None:
    assert FILES is not None
    (path,) = _profile(tmp_path, "car", CAR, FILES / "kcd" / "the_homer.kcd")
    database = database_of(path)
    ratio = 7.0 * 60.0 / (np.pi * 0.60)
    senders = [
        Sender(
            "ABS",
            0.1,
            lambda d, k: zeros(database, "ABS", SpeedKm=3.6 * float(d.speed_ms[k]), OutsideTemp=18.0, ABS_InfoMux=0),
        ),
        Sender(
            "Emission",
            0.1,
            lambda d, k: {"MIL": 0, "Enginespeed": round(ratio * float(d.speed_ms[k])), "NoxSensor": 0},
        ),
    ]
    for number in range(2):
        write_log(tmp_path / "inbox" / f"HM-01_{number}.log", database, day(12, 30.0, 1200.0, number), senders, number)
    check(tmp_path, "car.toml")
    rules, _, findings = judged(tmp_path, "HM-01")
    assert "encoder_dropout" in rules
    assert "weak_group" not in rules
    assert not findings, findings


def zeros(database: Any, message: str, **values: float) -> dict[str, float]:
    """All signals of the message, 0 where not given; of multiplexed ones those of the given selector."""
    found = database.get_message_by_name(message)
    selectors = {s.name for s in found.signals if s.is_multiplexer}
    return {
        s.name: values.get(s.name, 0)
        for s in found.signals
        if not s.multiplexer_ids or any(values.get(name, 0) in s.multiplexer_ids for name in selectors)
    }
