"""What once passed in silence in a profile is refused or told, each with its line and the nearest right word."""

from __future__ import annotations

import pickle
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from herdbook.pipeline.vehicle.problems import ProfileProblems
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from herdbook.pipeline.vehicle.profile_tables import not_given

DEMO = Path(__file__).parents[2] / "dbc_demo"


def changed(folder: Path, old: str, new: str, name: str = "zirbel") -> Path:
    """The demo profile with one change, beside its DBC files."""
    for path in DEMO.glob("*.dbc"):
        shutil.copy(path, folder)
    text = (DEMO / f"{name}.toml").read_text("utf-8")
    assert old in text
    path = folder / f"{name}.toml"
    path.write_text(text.replace(old, new, 1), "utf-8")
    return path


def refused(folder: Path, old: str, new: str) -> str:
    with pytest.raises(ProfileProblems) as caught:
        load_profile(changed(folder, old, new))
    (problem,) = caught.value.problems
    assert problem.line is not None
    line = (folder / "zirbel.toml").read_text("utf-8").splitlines()[problem.line - 1]
    assert line.startswith(new.split("\n")[-1].split("=")[0].strip() or "["), "the line named is the line changed"
    return str(caught.value)


def doubted(folder: Path, old: str, new: str) -> str:
    profile: Profile = load_profile(changed(folder, old, new))
    return " ".join(map(str, profile.doubts))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('chemistry = "LFP"', 'chemistry = "LTO"', "no such chemistry: 'LTO'. No published curve of such a cell"),
        ('chemistry = "LFP"', 'chemistry = "sodium-ion"', "differ by half a volt from one positive electrode"),
        ('chemistry = "LFP"', 'chemistry = "NMC811"', 'Write chemistry = "NMC": its file covers'),
        ('chemistry = "LFP"', 'chemistry = "XYZ"', "no such chemistry: 'XYZ'. Known: LFP, NMC."),
        ('chemistry = "LFP"', 'chemistry = "LPF"', "no such chemistry: 'LPF'"),
        ("rated_ah = 30.0", "rated_ah = -10", "rated_ah = -10 cannot be: rated charge. Write a number, 0.1 to 2000 Ah"),
        ("rated_ah = 30.0", 'rated_ah = "30"', "rated_ah = '30' cannot be"),
        ("rated_ah = 30.0", "rated_ah = nan", "rated_ah = nan cannot be"),
        ("rated_ah = 30.0", "rated_Ah = 30.0", "[pack] rated_Ah is not known. Did you mean rated_ah"),
        ("mass_kg = 98.0", "mass_g = 98000", "[vehicle] mass_g is not known. Did you mean mass_kg"),
        ("gear = 3.2", "geer = 3.2", "[drive] geer is not known. Did you mean gear"),
        ("rated_ah = 30.0", "rated_a = 30.0", "[pack] rated_a is not known. Did you mean rated_ah"),
        ("brake_response_ms = 200.0", "brake_respons_ms = 200.0", "Did you mean brake_response_ms"),
        ("cells = 12 ", "cells = 12.5 ", "a whole number, 1 to 400"),
        ("regen_charge_limit = true", 'regen_charge_limit = "yes"', "Write true or false"),
        ("[drive]", "[driv]", "table [driv] is not known. Did you mean drive"),
        ("bit_rate = 500000", "bit_rat = 500000", "[[bus]] bit_rat is not known. Did you mean bit_rate"),
        ("bit_rate = 500000", "bit_rate = 500", "[[bus]] bit_rate = 500 cannot be"),
        ('vehicle = "ZB-{serial:04d}"', 'vehicel = "ZB-{serial:04d}"', "[identity] vehicel is not known"),
        ('name = "zirbel"', 'nam = "zirbel"', "nam is not known. Did you mean name"),
        ("cell_min_v = 2.50", "cell_min_v = 3.40", "cell_min_v = 3.4 cannot be a limit of LFP"),
        ("cell_max_v = 3.65", "cell_max_v = 4.20", "cell_max_v = 4.2 cannot be a limit of LFP, 3.45 to 3.8 V"),
        ("winding_max_c = 140.0", "winding_max_c = 100.0", "winding_derate_c = 115 is not under winding_max_c = 100"),
        ("touch_max_c = 60.0", "touch_max_c = 60\n[valid]\nfrom = 2026-03-01\nto = 2026-03-01", "to is not after from"),
        ("sensors = 4", "sensors = 5", "sensors = 5, but cell_temp maps 4 sensors"),
        ('pack_soc = { signal = "BMS_Pack.PackSoc"', 'pack_soc = { signal = "BMS_Pack.PackSco"', "no signal PackSco"),
    ],
)  # fmt: skip
def test_a_mistake_is_refused_with_its_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    if "winding" in new:  # the line of the lower of a pair is named
        with pytest.raises(ProfileProblems, match=said):
            load_profile(changed(tmp_path, old, new))
        return
    assert said in refused(tmp_path, old, new)


def test_all_mistakes_of_a_profile_are_told_at_once(tmp_path: Path) -> None:
    path = changed(tmp_path, "rated_ah = 30.0", "rated_Ah = 30.0")
    text = path.read_text("utf-8").replace("gear = 3.2", "geer = 3.2").replace('"VEH_Motion.Odometer"', '"VEH.Odo"')
    path.write_text(text.replace('chemistry = "LFP"', 'chemistry = "LTO"'), "utf-8")
    with pytest.raises(ProfileProblems) as caught:
        load_profile(path)
    told = [p.line or 0 for p in caught.value.problems]
    assert len(told) == 4
    assert told == sorted(told)
    said = str(caught.value)
    assert "4 mistakes" in said
    assert all(word in said for word in ("LTO", "rated_Ah", "geer", "VEH"))
    assert str(pickle.loads(pickle.dumps(caught.value))) == said


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('regen_current = "CTRL_Brake.RegenDelivered"', 'regen_current = "CTRL_Brake.RegenWanted"', "regen_demand"),
        ('charger_voltage = "CHG_Output.ChargerVoltage"', 'charger_voltage = "BMS_Pack.PackVoltage"', "pack_voltage"),
        ('right = "MOT_Right.RightSpeed"', 'right = "MOT_Left.LeftSpeed"', "motor_speed[left] and motor_speed[right]"),
        (
            '"BMS_Cells.Group{n:02d}", n = "1..12"',
            '["BMS_Cells.Group{01..11}", "BMS_Cells.Group11"]',
            "cell_voltage[11] and cell_voltage[12]",
        ),
    ],
)
def test_one_signal_is_not_two_roles(tmp_path: Path, old: str, new: str, said: str) -> None:
    with pytest.raises(ProfileProblems, match="is both") as caught:
        load_profile(changed(tmp_path, old, new))
    assert said in str(caught.value)
    assert "shared = true" in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('regen_allowed = "CTRL_Brake.RegenAllowed"', 'regen_allowed = "BMS_Limits.ChargeLimit"'),
        ('controller_fault = "CTRL_Status.ControllerFault"', 'controller_fault = "BMS_Limits.BmsFault"'),
        (
            'charger_voltage = "CHG_Output.ChargerVoltage"',
            'charger_voltage = { signal = "BMS_Pack.PackVoltage", shared = true }',
        ),
    ],
)
def test_one_signal_may_be_two_roles_where_that_can_be_or_is_meant(tmp_path: Path, old: str, new: str) -> None:
    assert load_profile(changed(tmp_path, old, new)).roles


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ('{ signal = "BMS_Pack.PackVoltage", unit = "mV" }', "read as 0.001 times"),
        ('{ signal = "BMS_Pack.PackVoltage", scale = 10 }', "read as 10 times"),
        ('{ signal = "BMS_Pack.PackVoltage", scale = -1 }', ""),  # a sign is no unit
        ('{ signal = "BMS_Pack.PackVoltage", unit = "mV", scale = 1000 }', ""),
        ('{ signal = "BMS_Pack.PackVoltage", unit = "mV", meant = true }', ""),
    ],
)
def test_a_unit_other_than_the_dbc_file_s_is_told(tmp_path: Path, entry: str, told: str) -> None:
    path = changed(tmp_path, 'pack_voltage = "BMS_Pack.PackVoltage"', f"pack_voltage = {entry}")
    doubts = [str(d) for d in load_profile(path).doubts]
    assert bool(told) == any("is in V by the DBC file" in d and told in d and "meant = true" in d for d in doubts)


def test_a_signal_whose_factor_is_zero_is_refused(tmp_path: Path) -> None:
    path = changed(tmp_path, "", "")
    dbc = (tmp_path / "zirbel.dbc").read_text("utf-8")
    line = next(x for x in dbc.splitlines() if x.strip().startswith("SG_ PackVoltage "))
    flat = line[: line.index("(")] + "(0,0)" + line[line.index(")") + 1 :]
    (tmp_path / "zirbel.dbc").write_text(dbc.replace(line, flat), "utf-8")
    with pytest.raises(ProfileProblems, match=r"message BMS_Pack, signal PackVoltage: a factor of 0"):
        load_profile(path)
    path.write_text(path.read_text("utf-8").replace("[[bus]]", "[[bus]]\nlenient = true"), "utf-8")
    with pytest.raises(ProfileProblems, match=r"role pack_voltage: message BMS_Pack has no signal PackVoltage"):
        load_profile(path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('chemistry = "LFP"\n', "", "names no chemistry"),
        ("rated_ah = 30.0\n", "", "gives no rated_ah: most rules of cells, pack and charging are not assessed"),
        ("rated_ah = 30.0", "rated_ah = 300.0", "times the rated charge an hour"),
        ("rated_ah = 30.0", "rated_ah = 3.0", "times the rated charge an hour"),
        ("gear = 3.2", "gear = 32", "the motors push with"),
        ("wheel_m = 0.200", "wheel_m = 2.00", "the motors push with"),
        ("charger_v = 43.2", "charger_v = 432", "V a group"),
        ("heat_capacity_j_per_k = 8600.0", "heat_capacity_j_per_k = 860.0", "J/K for each group and Ah"),
        ("brake_response_ms = 200.0", "brake_response_ms = 20.0", "the brake answers after 20 ms"),
        ("drag_area_m2 = 0.60", "drag_area_m2 = 6.0", "the drag area is 6 m2"),
        ("bleed_ohm = 39.0", "bleed_ohm = 300.0", "as for another size of pack"),
        ("discharge_min_c = -20.0", "discharge_min_c = -2.0", "may be used 2 K colder than it may be charged"),
        ("regen_soc_full_pct = 92.0", "regen_soc_full_pct = 9.2", "the brake tapers off over 89.8 % of charge"),
        ("regen_hot_full_c = 50.0", "regen_hot_full_c = 5.0", "in the heat the brake tapers off over 55 K"),
        ("regen_fade_zero_kmh = 3.0", "regen_fade_zero_kmh = 0.3", "the brake is gone at 0.0429 of the speed"),
    ],
)  # fmt: skip
def test_what_is_unusual_is_told_and_not_refused(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert said in doubted(tmp_path, old, new)


def test_who_a_log_belongs_to_must_be_found_somewhere(tmp_path: Path) -> None:
    path = changed(tmp_path, '[identity]\npath = "(?P<vehicle>ZB-\\\\d{4})"\nvehicle = "ZB-{serial:04d}"\n', "")
    text = path.read_text("utf-8").replace('vehicle_serial = "ID_Serials.VehicleSerial"\n', "")
    path.write_text(text, "utf-8")
    (doubt,) = load_profile(path).doubts
    assert "nothing in the profile says whose a log is" in str(doubt)
    assert "sidecar" in str(doubt)


def test_a_charger_of_another_chemistry_is_told(tmp_path: Path) -> None:
    """The demo's charger gives 3.6 V a group: no such cell is charged to so little. And 4.2 V is no LFP charger."""
    path = changed(tmp_path, 'chemistry = "LFP"', 'chemistry = "NMC"')
    kept = [x for x in path.read_text("utf-8").splitlines() if not x.startswith(("cell_max_v", "cell_min_v"))]
    path.write_text("\n".join(kept), "utf-8")
    assert "the charger gives 3.6 V a group; NMC is full at 4.1 V" in " ".join(map(str, load_profile(path).doubts))
    told = doubted(tmp_path, "= 43.2", "= 50.4")
    assert "the charger gives 4.2 V a group; LFP is full at 3.45 V and may be damaged from 3.8 V on" in told


@pytest.mark.parametrize("name", ["zirbel", "saumer"])
def test_a_demo_profile_has_no_doubts(name: str) -> None:
    assert load_profile(DEMO / f"{name}.toml").doubts == ()


def test_half_a_taper_and_figures_that_are_not_given_are_told(tmp_path: Path) -> None:
    assert "regen_soc_full_pct is given without regen_soc_zero_pct" in doubted(
        tmp_path, "regen_soc_zero_pct = 99.0 ", "# "
    )
    given = {"pack": {"rated_ah": 30.0}, "drive": {"gear": 3.2}}
    told = {key: stands_in for key, stands_in, _ in not_given(given)}
    assert "[pack] rated_ah" not in told
    assert told["[pack] charger_a"] == "half of rated_ah"
    assert told["[pack] cell_max_v"] == "the chemistry's"
    assert told["[drive] brake_response_ms"] == ""


def test_the_check_tells_every_mistake_and_leaves_with_its_code(tmp_path: Path) -> None:
    path = changed(tmp_path, "rated_ah = 30.0", "rated_Ah = 30.0")
    text = path.read_text("utf-8").replace("[[bus]]", '[limits]\n"weak_grp.look" = 2\n\n[[bus]]', 1)
    path.write_text(text, "utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "herdbook.flows.cli", "profile", "check", str(path)],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 3
    said = " ".join(done.stderr.split())
    assert "2 mistakes" in said
    assert "Did you mean rated_ah?" in said
    assert "Did you mean weak_group.look" in said
