"""Two cars out of a public collection of bus descriptions (opendbc 0.3.1, MIT), walked from the DBC files to a dossier.

Nobody here wrote or edited these files: one car's high-voltage bus with groups in multiplexed messages beside its
powertrain bus, which is sound only in part; another's whole powertrain bus of 331 messages, with two batteries in it.
The vehicles behind them are small ones, of 45 groups, since voltages over 200 V are no light vehicle's and count as
impossible. Physics: tests/external/foreign.py, of a chemistry that slopes; encoded by cantools.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import cantools
import pytest

from tests.external.fetch import folder_of
from tests.external.foreign import Day, Sender, day, write_log
from tests.external.test_foreign_dbc import zeros
from tests.external.test_walk import CELL_RULES, RPM, ended, judged, warm
from tests.external.walk import Walk

ROOT = folder_of("opendbc")
FILES = ROOT / "opendbc" / "dbc" if ROOT else None
needs_files = pytest.mark.skipif(FILES is None, reason="opendbc's archive is absent: run `make sources` first")
NMC = {"chemistry": '"NMC"', "rated_ah": "20.0", "cell_min_v": "2.80", "cell_max_v": "4.20"}


def begun(folder: Path, name: str, *files: Path) -> Walk:
    """A folder with the DBC files as they are, and a draft of them."""
    mine = folder / "profiles"
    mine.mkdir()
    walk = Walk(mine, name)
    walk.draft(*[Path(shutil.copy(file, mine)) for file in files])
    return walk


def encoder(*files: Path) -> Any:
    """All messages, as cantools has them; without value tables, of which it refuses some."""
    database: Any = cantools.database.can.Database(strict=False)
    for file in files:
        lines = file.read_text("utf-8").splitlines()
        database.add_dbc_string("\n".join(line for line in lines if not line.startswith("VAL_")))
    return database


@needs_files
@pytest.mark.parametrize("low", [None, 30])
@pytest.mark.slow
def test_a_car_with_groups_in_banks_of_three_on_a_bus_of_their_own(tmp_path: Path, low: int | None) -> None:
    assert FILES is not None
    files = [
        FILES / "gm_global_a_high_voltage_management.dbc",
        FILES / "generator" / "gm" / "gm_global_a_powertrain.dbc",
    ]
    walk = begun(tmp_path, "banks", *files)
    database = encoder(*files)

    def module(number: int) -> Any:
        def values(d: Day, k: int) -> dict[str, float]:
            bank = k // 2 % 8
            first = 24 * (number - 1) + 3 * bank
            volts = [float(d.volts[first + i, k]) if first + i < 45 else 0.0 for i in range(3)]
            named = {f"Voltage_{number}_{bank}_{x}": v for x, v in zip("ABC", volts, strict=True)}
            return {f"Cell_Bank_Number_{number}": bank} | named

        return values

    def heat(d: Day, k: int) -> dict[str, float]:
        switch = k // 20 % 2
        return {"Switch": switch} | {f"Temp_{x}": float(d.temp_c[k]) for x in ("ABCDEF", "GHI")[switch]}

    senders = [
        *(Sender(f"Battery_Module_{n}", 0.2, module(n), late_s=0.002 * n) for n in (1, 2)),
        Sender(
            "Pack_Stats",
            0.5,
            lambda d, k: {"Pack_Voltage": float(d.volts[:, k].sum()), "Pack_Current": float(d.amps[k])},
        ),
        Sender("Battery_temp", 2.0, heat),
        Sender(
            "ECMVehicleSpeed",
            0.5,
            lambda d, k: zeros(database, "ECMVehicleSpeed", VehicleSpeed=float(d.speed_ms[k]) / 0.44704),
        ),
    ]
    for number in range(2):
        made = day(45, 20.0, 35.0, seed=number, cells="nmc", low=low)  # so light that 8 bits hold its current
        write_log(tmp_path / "inbox" / f"CA-01_{number}.log", database, made, senders, number)
    walk.edit("identity", {"path": '"(?P<vehicle>CA-\\\\d{2})"'})
    walk.edit("vehicle", {"mass_kg": "35.0"})
    walk.edit("pack", NMC | {"cells": "45"})
    groups = '"Battery_Module_1.Voltage_1_{0..7}_{A..C}", "Battery_Module_2.Voltage_2_{0..6}_{A..C}"'
    walk.edit(
        "roles",
        {
            "pack_voltage": '"Pack_Stats.Pack_Voltage"',
            "pack_current": '"Pack_Stats.Pack_Current"',
            "cell_voltage": f"[{groups}]",
            "cell_temp": '"Battery_temp.Temp_{A..I}"',
            "vehicle_speed": '"ECMVehicleSpeed.VehicleSpeed"',
        },
    )
    found = ended(walk, "CA-01", news=10 if low is not None else 0)
    assert walk.lines <= 12
    assert judged(found) >= CELL_RULES - {"loose_sense_wire"}
    said = {(row["rule"], row["item"]) for row in found["findings"]}
    assert said == ({("out_of_balance", "cell 31")} if low is not None else set())


@needs_files
def test_a_car_with_two_batteries_in_331_messages(tmp_path: Path) -> None:
    assert FILES is not None
    file = FILES / "ford_lincoln_base_pt.dbc"
    walk = begun(tmp_path, "two", file)
    database = encoder(file)
    drafted = walk.profile.read_text("utf-8")
    assert 'pack_soc = "Battery_Mgmt_3' not in drafted.replace("# pack_soc", "#")  # the battery of the lamps
    senders = [
        Sender(
            "Battery_Traction_1_FD1",
            0.5,
            lambda d, k: zeros(
                database,
                "Battery_Traction_1_FD1",
                BattTrac_U_Actl=float(d.volts[:, k].sum()),
                BattTrac_I_Actl=float(d.amps[k]),
            ),
        ),
        Sender(
            "Battery_Traction_4_FD1",
            1.0,
            lambda d, k: zeros(
                database,
                "Battery_Traction_4_FD1",
                BattTracSoc2_Pc_Actl=100 * float(d.soc[k]),
                BattTrac_Te_Actl=float(d.temp_c[k]),
            ),
        ),
        Sender(
            "EngVehicleSpThrottle2",
            0.5,
            lambda d, k: zeros(database, "EngVehicleSpThrottle2", Veh_V_ActlEng=3.6 * float(d.speed_ms[k])),
        ),
        Sender(
            "MtrTracData_1_FD1",
            0.5,
            lambda d, k: zeros(
                database,
                "MtrTracData_1_FD1",
                Mtr2Aout_W_ActlMntr=RPM * float(d.speed_ms[k]) * 3.14159265 / 30,
                MtrTrac2Coil_Te_Actl=warm(d, k, 3.0),
                MtrTrac2Inv_Te_Actl=warm(d, k, 2.0),
            ),
        ),
    ]
    made = day(45, 20.0, 320.0, seed=5, cells="nmc")
    write_log(tmp_path / "inbox" / "CB-01_0.log", database, made, senders, 0)
    walk.edit("identity", {"path": '"(?P<vehicle>CB-\\\\d{2})"'})
    walk.edit("vehicle", {"mass_kg": "320.0"})
    walk.edit("pack", NMC | {"cells": "45"})
    walk.edit("drive", {"gear": "7.0", "wheel_m": "0.60"})
    walk.uncomment("roles", "pack_current")
    walk.edit(
        "roles",
        {
            "pack_soc": '"Battery_Traction_4_FD1.BattTracSoc2_Pc_Actl"',
            "cell_temp": '{ signal = "Battery_Traction_4_FD1.BattTrac_Te_Actl", n = "1" }',
            "vehicle_speed": '"EngVehicleSpThrottle2.Veh_V_ActlEng"',
            "motor_speed": '{ signal = "MtrTracData_1_FD1.Mtr2Aout_W_ActlMntr", unit = "rad/s" }',
            "motor_temp": '"MtrTracData_1_FD1.MtrTrac2Coil_Te_Actl"',
            "fet_temp": '"MtrTracData_1_FD1.MtrTrac2Inv_Te_Actl"',
        },
    )
    found = ended(walk, "CB-01")
    assert walk.lines <= 16
    assert judged(found) >= {"cold_charging", "encoder_dropout", "hot_because_of_load"}
    assert not found["findings"]
