"""Four vehicles that others described, walked from the DBC files to a dossier without editing them, as the manual says.

Two out of cantools' source archive (a solar car's battery with a data logger; a car in another format, sound only in
part), two of common layouts in layouts/: groups in four messages of three, counted from zero, charging positive; and
J1939 with torque in Nm and one group a frame. Physics: tests/external/foreign.py, encoded by cantools.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.health.rules import all_rules
from tests.external.foreign import Day, Sender, database_of, day, write_log
from tests.external.test_foreign_dbc import FILES, needs_files, zeros
from tests.external.walk import Walk

LAYOUTS = Path(__file__).parent / "layouts"
RPM = 7.0 * 60.0 / (np.pi * 0.60)  # motor turns a minute at 1 m/s
WHEEL = {"gear": "7.0", "wheel_m": "0.60"}
PACK = {"chemistry": '"LFP"', "rated_ah": "40.0", "cell_min_v": "2.50", "cell_max_v": "3.65"}

CELL_RULES = {"group_over_voltage", "group_under_voltage", "loose_sense_wire", "pack_sum_disagrees", "cold_charging"}


def judged(dossier: dict[str, Any]) -> set[str]:
    """Rules that could judge the vehicle."""
    return set(all_rules()) - {row["rule"] for row in dossier["not_judged"]}


def begun(folder: Path, name: str, *files: Path) -> tuple[Walk, Any]:
    """A folder with the DBC files as they are, a draft of them, and their messages."""
    mine = folder / "profiles"
    mine.mkdir()
    copied = [Path(shutil.copy(file, mine)) for file in files]
    walk = Walk(mine, name)
    walk.draft(*copied)
    return walk, database_of(*files)


def ended(walk: Walk, vehicle: str, news: int = 0) -> dict[str, Any]:
    """Check, check against the logs, scan, dossier: what the dossier's data say. news: exit code of the scan."""
    walk.run("profile", "check", walk.profile)
    inbox, store = walk.folder.parent / "inbox", walk.folder.parent / "store"
    for log in inbox.iterdir():
        os.utime(log, (log.stat().st_mtime - 60,) * 2)  # nobody writes to it any more
    walk.run("profile", "check", walk.profile, "--log", inbox)
    walk.run("scan", inbox, "--store", store, "--profiles", walk.folder, "--jobs", "1", code=news)
    walk.run("dossier", vehicle, "--store", store, "--out", walk.folder.parent / "page.html")
    assert (walk.folder.parent / "page.html").stat().st_size > 20_000
    print(f"{walk.name}: {walk.lines} lines by hand, {walk.seconds:.1f} s of commands")
    return dict(json.loads(walk.run("dossier", vehicle, "--store", store, "--json")))


def warm(made: Day, k: int, times: float) -> float:
    """A part that warms so many times as much as the pack."""
    return 18.0 + times * (float(made.temp_c[k]) - 18.0)


def threes() -> list[Sender]:
    """Every message of layouts/threes.dbc."""

    def cells(first: int) -> Callable[[Day, int], dict[str, float]]:
        return lambda d, k: {f"CellV{g}": float(d.volts[g, k]) for g in range(first, first + 3)}

    def state(d: Day, k: int) -> int:
        return 3 if d.amps[k] < -5 and d.speed_ms[k] == 0 else 2 if d.speed_ms[k] else 1

    return [
        *(Sender(f"BMU_CellV_{'ABCD'[n]}", 1.0, cells(3 * n)) for n in range(4)),
        Sender(
            "BMU_Summary",
            0.5,
            lambda d, k: {
                "TotalVoltage": float(d.volts[:, k].sum()),
                "TotalCurrent": -float(d.amps[k]),
                "SOC": 100 * float(d.soc[k]),
                "WorkState": state(d, k),
            },
        ),
        Sender("BMU_Temps", 2.0, lambda d, k: {f"CellTemp{n}": float(d.temp_c[k]) for n in range(3)}),
        Sender("BMU_Limits", 2.0, lambda d, k: {"MaxChargeCurrent": 100.0, "MaxDischargeCurrent": 200.0}),
        Sender(
            "MCU_Status",
            0.5,
            lambda d, k: {
                "MotorSpeed": round(RPM * float(d.speed_ms[k])),
                "MotorTemp": warm(d, k, 3.0),
                "ControllerTemp": warm(d, k, 2.0),
            },
        ),
        Sender("VCU_Motion", 0.5, lambda d, k: {"VehicleSpeed": 3.6 * float(d.speed_ms[k])}),
    ]


def test_groups_in_four_messages_of_three(tmp_path: Path) -> None:
    walk, database = begun(tmp_path, "threes", LAYOUTS / "threes.dbc")
    drafted = walk.profile.read_text("utf-8")
    assert "scale = -1" in drafted  # its comment says that charging is positive
    made = day(12, 40.0, 320.0, seed=1)
    write_log(tmp_path / "inbox" / "TH-01_a.log", database, made, threes(), 0)
    walk.edit("identity", {"path": '"(?P<vehicle>TH-\\\\d{2})"'})
    walk.edit("vehicle", {"mass_kg": "320.0"})
    walk.edit("pack", PACK)
    walk.edit("drive", WHEEL)
    found = ended(walk, "TH-01")
    assert walk.lines <= 8
    assert judged(found) >= CELL_RULES
    assert not found["findings"]


def test_torque_by_j1939(tmp_path: Path) -> None:
    walk, database = begun(tmp_path, "torque", LAYOUTS / "torque.dbc")
    made = day(12, 40.0, 320.0, seed=2)
    per_nm = 0.30 / 7.0  # force at the wheel to torque of the motor
    senders = [
        Sender("CCVS1", 0.5, lambda d, k: {"WheelBasedVehicleSpeed": 3.6 * float(d.speed_ms[k])}),
        Sender(
            "INV_Status1",
            0.5,
            lambda d, k: {
                "ActualTorque": float(d.wheel_n[k]) * per_nm,
                "MotorSpeed": RPM * float(d.speed_ms[k]),
                "DCLinkVoltage": float(d.volts[:, k].sum()),
                "DCLinkCurrent": float(d.amps[k]),
            },
        ),
        Sender("INV_Status2", 2.0, lambda d, k: {"MotorWindingTemp": warm(d, k, 3.0), "HeatsinkTemp": warm(d, k, 2.0)}),
        Sender(
            "BATT_Status",
            0.5,
            lambda d, k: {
                "PackVoltage": float(d.volts[:, k].sum()),
                "PackCurrent": float(d.amps[k]),
                "StateOfCharge": 100 * float(d.soc[k]),
            },
        ),
        Sender(
            "BATT_Cells",
            0.2,
            lambda d, k: {
                "CellIndex": k // 2 % 12,
                "CellVoltage": float(d.volts[k // 2 % 12, k]),
                "CellTemperature": float(d.temp_c[k]),
            },
        ),
    ]
    write_log(tmp_path / "inbox" / "TQ-01_a.log", database, made, senders, 0)
    walk.edit("identity", {"path": '"(?P<vehicle>TQ-\\\\d{2})"'})
    walk.edit("vehicle", {"mass_kg": "320.0"})
    walk.edit("pack", PACK | {"cells": "12"})
    walk.edit("drive", WHEEL | {"torque_nm_per_a": "0.12"})
    walk.uncomment("roles", "motor_current")
    for role, signal in (("cell_voltage", "CellVoltage"), ("cell_temp", "CellTemperature")):
        said = f'{{ signal = "BATT_Cells.{signal}", index = "CellIndex", index_values = "0..11" }}'
        assert said.replace("0..11", "0..15") in walk.profile.read_text("utf-8")
        walk.edit("roles", {role: said})
    found = ended(walk, "TQ-01")
    assert walk.lines <= 13
    assert judged(found) >= CELL_RULES
    assert not found["findings"]


@needs_files
def test_a_solar_car_s_battery_and_a_data_logger(tmp_path: Path) -> None:
    assert FILES is not None
    files = [FILES / "dbc" / "msxii_system_can.dbc", FILES / "dbc" / "vehicle.dbc"]
    walk, database = begun(tmp_path, "solar", *files)

    def cell(made: Day, k: int) -> dict[str, float]:
        g = k // 2 % 36
        volts, temp = round(1e4 * float(made.volts[g, k])), round(100 * float(made.temp_c[k]))
        return {"BATTERY_VT_INDEX": g, f"MODULE_VOLTAGE_{g:02d}": volts, f"MODULE_TEMP_{g:02d}": temp}

    senders = [
        Sender("BATTERY_VT", 0.2, cell),
        Sender("RT_SB_Speed", 0.5, lambda d, k: zeros(database, "RT_SB_Speed", Speed=float(d.speed_ms[k]))),
        Sender("RT_DL1MK3_Analog_29", 0.5, lambda d, k: {"Analog_29": 10 + float(d.amps[k]) / 20}),
        Sender("RT_DL1MK3_Analog_30", 0.5, lambda d, k: {"Analog_30": float(d.volts[:, k].sum()) / 5}),
    ]
    write_log(tmp_path / "inbox" / "MS-01_a.log", database, day(36, 40.0, 320.0, seed=3), senders, 0)
    walk.edit("identity", {"path": '"(?P<vehicle>MS-\\\\d{2})"'})
    walk.edit("vehicle", {"mass_kg": "320.0"})
    walk.edit("pack", PACK | {"cells": "36"})
    walk.uncomment("roles", "cell_voltage", add="scale = 1e-4")  # its file gives no unit: the list to do says so
    walk.uncomment("roles", "cell_temp", add="scale = 0.01")
    analog = "RT_DL1MK3_Analog_{0}.Analog_{0}"
    walk.edit(
        "roles",
        {
            "vehicle_speed": '"RT_SB_Speed.Speed"',  # the draft's second choice
            "pack_current": f'{{ value = "({analog.format(29)} - 10) * 20", unit = "A" }}',
            "pack_voltage": f'{{ signal = "{analog.format(30)}", unit = "V", scale = 5 }}',
        },
    )
    found = ended(walk, "MS-01")
    assert walk.lines <= 12
    assert judged(found) >= CELL_RULES
    assert not found["findings"]


@needs_files
def test_a_car_in_another_format(tmp_path: Path) -> None:
    assert FILES is not None
    walk, database = begun(tmp_path, "car", FILES / "kcd" / "the_homer.kcd")
    speed = {"OutsideTemp": 18.0, "ABS_InfoMux": 0}
    senders = [
        Sender("ABS", 0.5, lambda d, k: zeros(database, "ABS", SpeedKm=3.6 * float(d.speed_ms[k]), **speed)),
        Sender(
            "Emission", 0.5, lambda d, k: {"MIL": 0, "Enginespeed": round(RPM * float(d.speed_ms[k])), "NoxSensor": 0}
        ),
    ]
    write_log(tmp_path / "inbox" / "HM-01_a.log", database, day(12, 30.0, 1200.0, seed=4), senders, 0)
    walk.edit("identity", {"path": '"(?P<vehicle>HM-\\\\d{2})"'})
    walk.edit("vehicle", {"mass_kg": "1200.0"})
    walk.edit("drive", WHEEL)
    walk.uncomment("roles", "motor_speed")
    walk.edit("roles", {"ambient_temp": '{ signal = "ABS.OutsideTemp", unit = "degC" }'})
    found = ended(walk, "HM-01")
    assert walk.lines <= 6
    assert "encoder_dropout" in judged(found)
    assert not found["findings"]


@pytest.mark.parametrize(("rated_ah", "seen"), [(40.0, False), (13.0, True)])
def test_a_group_that_holds_8_percent_less_is_found_or_said_to_be_out_of_sight(
    tmp_path: Path, rated_ah: float, seen: bool
) -> None:
    """A pack that is ridden to low, and one that is ridden over a third of its charge, on the flat of the curve: nobody
    could see it there, and that is said, with what to log."""
    walk, database = begun(tmp_path, "threes", LAYOUTS / "threes.dbc")
    for number in range(2):
        made = day(12, rated_ah, 320.0, seed=number, weak=4)
        write_log(tmp_path / "inbox" / f"TH-02_{number}.log", database, made, threes(), number)
    walk.edit("identity", {"path": '"(?P<vehicle>TH-\\\\d{2})"'})
    walk.edit("vehicle", {"mass_kg": "320.0"})
    walk.edit("pack", PACK | {"rated_ah": str(rated_ah)})
    walk.edit("drive", WHEEL)
    dossier = ended(walk, "TH-02", news=10 if seen else 0)
    found = {row["rule"] for row in dossier["findings"] if row["item"] == "cell 5"}
    assert ("low_capacity_group" in found) == seen
    if not seen:
        why = {row["rule"]: row["why"] for row in dossier["not_judged"]}
        assert "rides to low" in why["low_capacity_group"]
        cells = next(row["reason"] for row in dossier["scores"] if row["subsystem"] == "cells")
        assert "rides from full to low" in cells


@pytest.mark.parametrize("low", [None, 4])
def test_a_pack_of_a_sloped_chemistry_is_judged_by_what_its_curve_allows(tmp_path: Path, low: int | None) -> None:
    """NMC, whose published curves lie far apart: a low group is read at full, by the pack's own charges; nothing is
    weighed by the table between full and empty, and the refusal names the table. A sound pack is told nothing."""
    walk, database = begun(tmp_path, "threes", LAYOUTS / "threes.dbc")
    for number in range(2):
        made = day(12, 20.0, 320.0, seed=number, cells="nmc", low=low)
        write_log(tmp_path / "inbox" / f"TH-03_{number}.log", database, made, threes(), number)
    walk.edit("identity", {"path": '"(?P<vehicle>TH-\\\\d{2})"'})
    walk.edit("vehicle", {"mass_kg": "320.0"})
    walk.edit("pack", {"chemistry": '"NMC"', "rated_ah": "20.0", "cell_min_v": "2.80", "cell_max_v": "4.20"})
    walk.edit("drive", WHEEL)
    dossier = ended(walk, "TH-03", news=10 if low is not None else 0)
    assert {(row["rule"], row["item"]) for row in dossier["findings"]} == (
        {("out_of_balance", "cell 5")} if low is not None else set()
    )
    why = {row["rule"]: row["why"] for row in dossier["not_judged"]}
    assert "open-circuit curve of NMC is known within" in why["low_capacity_group"]
    assert "the pack's own curve" in why["low_capacity_group"]
    assert "that of NMC is nowhere" in why["loose_sense_wire"]
    assert judged(dossier) >= CELL_RULES - {"loose_sense_wire"}


def test_each_of_two_packs_is_judged_by_a_store_of_its_own(tmp_path: Path) -> None:
    """Two packs side by side on one bus, the second with a low group: one profile a pack, each in its own folder."""
    one = (LAYOUTS / "threes.dbc").read_text("utf-8")
    other = re.sub(r"BO_ (17|180)(\d+) BMU_(\w+)", lambda m: f"BO_ {int(m[1] + m[2]) - 1000} BMB_{m[3]}", one)
    twin = [part for part in other.split("\n\n") if part.startswith("BO_") and "BMB_" in part]
    both = tmp_path / "both.dbc"
    both.write_text(one.replace("\nCM_ ", "\n" + "\n\n".join(twin) + "\n\nCM_ ", 1), "utf-8")
    packs = (day(12, 20.0, 320.0, seed=1), day(12, 20.0, 320.0, seed=2, low=4))

    def second(sender: Sender) -> Sender:
        name = sender.message.replace("BMU_", "BMB_")
        return Sender(name, sender.every_s, lambda _, k: sender.values(packs[1], k), late_s=0.01)

    senders = threes() + [second(s) for s in threes() if s.message.startswith("BMU_")]
    for number in range(2):
        write_log(tmp_path / "log" / f"TP-01_{number}.log", database_of(both), packs[0], senders, number)
    found = {}
    for letter, prefix in (("a", "BMU_"), ("b", "BMB_")):
        home = tmp_path / letter
        home.mkdir()
        walk, _ = begun(home, "pack", both)
        shutil.copytree(tmp_path / "log", home / "inbox")
        walk.edit("identity", {"path": '"(?P<vehicle>TP-\\\\d{2})"'})
        walk.edit("vehicle", {"mass_kg": "320.0"})
        walk.edit("pack", PACK | {"rated_ah": "20.0", "beside": "2", "cells": "12"})
        groups = ", ".join(f'"{prefix}CellV_{x}.CellV{{{3 * n}..{3 * n + 2}}}"' for n, x in enumerate("ABCD"))
        summary = f"{prefix}Summary"
        walk.edit(
            "roles",
            {
                "pack_voltage": f'"{summary}.TotalVoltage"',
                "pack_current": f'{{ signal = "{summary}.TotalCurrent", scale = -1 }}',
                "pack_soc": f'"{summary}.SOC"',
                "cell_voltage": f"[{groups}]",
                "cell_temp": f'"{prefix}Temps.CellTemp{{0..2}}"',
            },
        )
        found[letter] = ended(walk, "TP-01", news=10 if letter == "b" else 0)
    assert [(row["rule"], row["item"]) for row in found["b"]["findings"]] == [("out_of_balance", "cell 5")]
    assert not found["a"]["findings"]
    for dossier in found.values():
        assert "the other is not. Map the rest too: an [[other_pack]] each" in dossier["other_packs"]
