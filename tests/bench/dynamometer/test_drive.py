"""The drive test against a machine whose constants are known (demo_logs/stand_machine.py, physics of its own)."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from demo_logs import write_stand
from demo_logs.bench_log import bench_frames
from demo_logs.stand_machine import Level, Machine, Run, electrical, run, usual_levels
from demo_logs.writers import write_log
from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.drive import Drive, compare_drives, drive
from herdbook.pipeline.cli import build
from herdbook.pipeline.vehicle.profile import load_profile

MACHINE = Machine()
STATED = """\
[errors]
torque_nm = 0.005
torque_pct = 0.3
speed_rpm = 0.5
current_a = 0.02
current_pct = 0.3
voltage_v = 0.01
voltage_pct = 0.1
motor_current_a = 0.05
motor_current_pct = 0.3
wheel_torque_nm = 0.01
wheel_torque_pct = 0.3
wheel_speed_rpm = 0.2
"""


def stand(*args: object) -> Result:
    return CliRunner().invoke(build(), ["stand", *map(str, args)])


def refused(*args: object) -> str:
    result = stand(*args)
    assert type(result.exception).__name__ == "InputError", repr(result.exception)
    return str(result.exception)


@pytest.fixture(scope="module")
def ran() -> Run:
    return run(MACHINE, usual_levels(np.random.default_rng(8)))


def columns(ran: Run, rng: np.random.Generator, gains: bool = True) -> dict[str, Floats]:
    """What instruments with zeros and gains of their own read, by the heads of a table."""
    k = slice(None, None, 10)

    def seen(values: Floats, zero: float, gain: float, noise: float) -> Floats:
        off = (zero * rng.normal(), 1 + gain * rng.normal()) if gains else (0.0, 1.0)
        return np.asarray(values[k] * off[1] + off[0] + noise * rng.normal(size=values[k].size))

    return {
        "time [s]": ran.t[k],
        "torque [Nm]": seen(ran.torque, 0.005, 0.003, 0.01),
        "speed [rpm]": seen(ran.rpm, 0.5, 0.0, 1.0),
        "current [A]": seen(ran.current, 0.02, 0.003, 0.05),
        "voltage [V]": seen(ran.volts, 0.01, 0.001, 0.01),
        "motor_current [A]": seen(ran.amps, 0.05, 0.003, 0.1),
        "winding [degC]": seen(ran.winding_c, 0.0, 0.0, 0.1),
        "ambient [degC]": np.full(ran.t[k].size, 23.0),
    }


def table(path: Path, of: dict[str, Floats]) -> Path:
    rows = np.column_stack(list(of.values()))
    text = "\n".join(",".join("" if v != v else f"{v:.4f}" for v in row) for row in rows.tolist())
    path.write_text(",".join(of) + "\n" + text + "\n", "utf-8")
    return path


def sheet(folder: Path, of: dict[str, Floats], more: str = "", end: str = "") -> Path:
    table(folder / "stand.csv", of)
    path = folder / "stand.toml"
    winding = (
        "[winding]\nline_ohm = 0.092\nline_at_c = 20.0\nline_se_ohm = 0.0002\nlimit_c = 140.0\nrating_air_c = 23.0\n"
    )
    path.write_text(f'test = "drive"\nname = "made"\ntable = "stand.csv"\n{more}{STATED}{winding}{end}', "utf-8")
    return path


def true_efficiency(found: Drive, of: Machine, way: str) -> Floats:
    """At the places of a map, at the winding's mean temperature over the points."""
    one = found.maps()[way]
    rpm, torque = np.meshgrid(one.speed_rpm, one.torque_nm)
    torque = -torque if way == "braking" else torque
    _, power = electrical(of, rpm, torque, float(np.nanmean(found.points["winding"].value)))
    shaft = torque * rpm * 2 * np.pi / 60
    return np.asarray(power / shaft if way == "braking" else shaft / power)


def test_what_is_known_of_the_machine_is_found(ran: Run, tmp_path: Path) -> None:
    """Good instruments: torque constant, drag, resistance, time constant and what it bears, each near the truth."""
    found = drive(sheet(tmp_path, columns(ran, np.random.default_rng(1), gains=False)))
    c, coil = found.constants, found.winding
    assert c.torque_nm_per_a is not None
    assert c.torque_nm_per_a.value == pytest.approx(MACHINE.kt, rel=2e-3)
    assert c.drag is not None
    assert c.drag.at(np.array([600.0, 2500.0])) == pytest.approx(
        MACHINE.coulomb + MACHINE.viscous * np.array([600.0, 2500.0]) * 2 * np.pi / 60, abs=0.003
    )
    assert coil.loaded is not None
    assert coil.loaded.value == pytest.approx(MACHINE.phase_ohm, rel=0.03)
    assert coil.metered is not None
    assert coil.metered.value == pytest.approx(0.046)
    assert found.heat is not None
    tau, low, high = found.heat.model.interval(found.heat.model.tau_s)
    assert tau == pytest.approx(MACHINE.heat_j_per_k / MACHINE.loss_w_per_k, rel=0.02)
    assert high - low < 0.1 * tau
    true_a = np.sqrt((140 - 23) * MACHINE.loss_w_per_k / (1.5 * MACHINE.phase_ohm * 375 / 255))
    lasting = next(b for b in found.heat.bears if b.seconds == np.inf and not b.rpm)
    assert lasting.amps[0] == pytest.approx(true_a, rel=0.01)
    for way in ("driving", "braking"):
        away = found.maps()[way].efficiency - true_efficiency(found, MACHINE, way)
        assert np.nanmax(np.abs(away)) < 0.03
        assert np.nanmedian(np.abs(away)) < 0.006


def test_losses_apart_sum_to_what_is_lost(ran: Run, tmp_path: Path) -> None:
    """Truth of the rest: 6 W and half a volt for each ampere."""
    found = drive(sheet(tmp_path, columns(ran, np.random.default_rng(1), gains=False)))
    assert len(found.parts) >= 20
    for p in found.parts:
        assert p.input_w == pytest.approx(p.output_w + p.drag_w + p.copper_w + p.rest_w)
        amps = (p.torque_nm + 0.045 + 1.1e-4 * p.rpm * 2 * np.pi / 60) / MACHINE.kt
        assert p.rest_w == pytest.approx(6.0 + 0.5 * amps, abs=0.02 * p.input_w + 1.0)


def test_intervals_hold_with_instruments_that_are_off(ran: Run, tmp_path: Path) -> None:
    """20 stands with zeros and gains of their own, as large as the sheet states: points, constants and maps within
    their 95 % intervals in 88 % or more (zeros and gains are shared by all points of a stand)."""
    held: dict[str, list[float]] = {"constant": [], "points": [], "map": []}
    for seed in range(20):
        found = drive(sheet(tmp_path, columns(ran, np.random.default_rng(seed))))
        k = found.constants.torque_nm_per_a
        assert k is not None
        held["constant"].append(abs(k.value - MACHINE.kt) <= k.half_width)
        use = found.useful
        rpm, torque, temp = (found.points[n].value[use] for n in ("speed", "torque", "winding"))
        _, power = electrical(MACHINE, rpm, torque, temp)
        shaft = torque * rpm * 2 * np.pi / 60
        true = np.where(shaft > 0, shaft / power, power / shaft)
        away = np.abs(found.powers.efficiency[use] - true)
        held["points"].append(float(np.mean(away <= 1.96 * found.powers.efficiency_se[use])))
        one = found.maps()["driving"]
        apart = np.abs(one.efficiency - true_efficiency(found, MACHINE, "driving"))
        held["map"].append(float(np.nanmean(np.where(np.isnan(apart), np.nan, apart <= one.half_width))))
    print({name: float(np.mean(values)) for name, values in held.items()})
    assert all(np.mean(values) >= 0.88 for values in held.values())


def test_two_firmwares_are_told_apart_by_the_same_stand(tmp_path: Path) -> None:
    """The newer one loses 2 W and a quarter of a volt less; by the same instruments it shows, a machine against itself
    does not."""
    old, new = (drive(write_stand.FOLDER / f"drive_{n}.toml", instruments=False) for n in (14, 15))
    (driving, braking) = compare_drives(old, new)
    true = true_efficiency(old, replace(MACHINE, stage_w=4.0, stage_v=0.25), "driving") - true_efficiency(
        old, MACHINE, "driving"
    )
    assert driving.overall == pytest.approx(float(np.nanmean(true)), abs=driving.overall_half)
    assert driving.overall > driving.overall_half
    assert braking.overall > 0
    assert driving.told_apart > 0.6
    same = run(MACHINE, usual_levels(np.random.default_rng(9)))
    sheets = []
    for seed, ran in ((1, same), (2, run(MACHINE, usual_levels(np.random.default_rng(8))))):
        (tmp_path / str(seed)).mkdir()
        sheets.append(sheet(tmp_path / str(seed), columns(ran, np.random.default_rng(seed), gains=False)))
    (first, *_) = compare_drives(*(drive(s, instruments=False) for s in sheets))
    assert abs(first.overall) < first.overall_half
    said = " ".join(stand("compare", *sheets, "--no-page").output.split())
    assert "no difference is shown on average" in said


def test_log_and_table_on_two_clocks_give_what_one_clock_gives() -> None:
    """The committed test: the table begins 4.37 s later and runs 60 ppm fast."""
    found = drive(write_stand.FOLDER / "drive_14.toml")
    a = found.record.aligned
    assert a is not None
    late = 4.37 - 60e-6 * a.middle_s  # in the middle of the record
    assert a.offset_s - write_stand.BEGIN / 1e6 == pytest.approx(late, abs=3 * a.offset_se_s)
    assert abs(a.drift + 60e-6) <= 3 * a.drift_se
    k = found.constants.torque_nm_per_a
    assert k is not None
    assert k.value == pytest.approx(MACHINE.kt, rel=2e-3)
    volts = found.constants.volts_per_krpm
    assert volts is not None  # sinusoidal: line peak = Kt / .866025 (CHECKS-2)
    assert volts.value == pytest.approx(MACHINE.kt / 0.866025 * 104.7198, rel=5e-3)


def test_a_run_of_the_committed_sheet_writes_page_and_tables(tmp_path: Path) -> None:
    said = json.loads(stand("drive", write_stand.FOLDER / "drive_14.toml", "--out", tmp_path, "--json").stdout)
    names = [f["name"] for f in said["figures"]]
    assert names[:2] == ["best efficiency driving", "best efficiency braking"]
    assert len(said["points"]) == 40
    assert {Path(f).suffix for f in said["files"]} == {".html", ".csv", ".parquet"}
    page = (tmp_path / "drive_14.html").read_text("utf-8")
    for words in (
        "Parts that turn take hold",
        "burn skin",
        "A pack cannot be switched off",
        "no proof that a unit is safe",
    ):
        assert words in page
    assert page.count('class="board"') == 7


def test_belt_drag_of_a_bare_rotor_and_a_lever_are_read(ran: Run, tmp_path: Path) -> None:
    """Belt of 96 %, 3.2 to 1 with 0.5 % slip; a rotor without magnets turns at 0.02 Nm; 0.25 m of lever."""
    of = columns(ran, np.random.default_rng(1), gains=False)
    torque = of.pop("torque [Nm]")
    driving = torque * of["speed [rpm]"] > 0
    of["force [N]"] = torque / 0.25
    of["wheel_torque [Nm]"] = torque * 3.2 * np.where(driving, 0.96, 1 / 0.96) / 0.995
    of["wheel_speed [rpm]"] = of["speed [rpm]"] / 3.2 * 0.995
    bare = [Level(6.0, rpm, 0.0, True) for rpm in (600, 1500, 2400, 1000)]
    spun = run(replace(MACHINE, coulomb=0.02, viscous=4e-5), bare)
    table(
        tmp_path / "bare.csv",
        {"time [s]": spun.t[::10], "speed [rpm]": spun.rpm[::10], "torque [Nm]": spun.torque[::10]},
    )
    found = drive(sheet(tmp_path, of, 'arm_m = 0.25\ngear = 3.2\nbare_table = "bare.csv"\n')).constants
    assert found.belt is not None
    assert found.belt.value == pytest.approx(0.96, abs=0.003)
    assert found.slip is not None
    assert found.slip.value == pytest.approx(0.005, abs=0.0005)
    assert found.drag is not None
    assert found.bare is not None
    assert found.drag.value[:2] - found.bare.value[:2] == pytest.approx([0.025, 7e-5], rel=0.15)


def test_a_motor_that_runs_free_tells_its_drag_by_its_current(tmp_path: Path) -> None:
    """On a stand that can only brake: no point is turned without current."""
    levels = [x for x in usual_levels(np.random.default_rng(8)) if not x.off]
    free = [Level(7.0, rpm, 0.0) for rpm in (600, 2800, 1700, 1200)]
    found = drive(
        sheet(tmp_path, columns(run(MACHINE, levels + free), np.random.default_rng(1), gains=False))
    ).constants
    assert not found.driven.any()
    assert found.drag is not None
    assert found.drag_how.startswith("running free")
    true = MACHINE.coulomb + MACHINE.viscous * np.array([800.0, 2500.0]) * 2 * np.pi / 60
    assert found.drag.at(np.array([800.0, 2500.0])) == pytest.approx(true, abs=0.006)


def test_a_motor_that_turns_the_other_way_gives_the_same(ran: Run, tmp_path: Path) -> None:
    of = columns(ran, np.random.default_rng(1), gains=False)
    (tmp_path / "on").mkdir()
    (tmp_path / "back").mkdir()
    turned = of | {k: -of[k] for k in ("torque [Nm]", "speed [rpm]", "motor_current [A]")}
    on, back = drive(sheet(tmp_path / "on", of)), drive(sheet(tmp_path / "back", turned))
    assert on.constants.torque_nm_per_a is not None
    assert back.constants.torque_nm_per_a is not None
    assert back.constants.torque_nm_per_a.value == pytest.approx(on.constants.torque_nm_per_a.value, rel=1e-6)
    assert back.maps()["driving"].efficiency == pytest.approx(on.maps()["driving"].efficiency, nan_ok=True, rel=1e-6)
    assert back.constants.drag is not None
    assert on.constants.drag is not None
    assert back.constants.drag.value == pytest.approx(on.constants.drag.value, rel=1e-6)


def without(of: dict[str, Floats], *names: str) -> dict[str, Floats]:
    return {k: v for k, v in of.items() if k.split(" ")[0] not in names}


def test_what_was_not_recorded_is_named_and_the_rest_found(ran: Run, tmp_path: Path) -> None:
    of = columns(ran, np.random.default_rng(1), gains=False)
    plain = drive(sheet(tmp_path, without(of, "current", "voltage")))
    assert plain.maps() == {}
    assert plain.constants.torque_nm_per_a is not None
    assert any("there is no efficiency, only torque" in line for line in plain.told)
    assert any("missing: the input power" in line for line in plain.told)
    blind = drive(sheet(tmp_path, without(of, "motor_current", "winding")))
    assert blind.constants.torque_nm_per_a is None
    assert blind.heat is None
    assert blind.driving is not None
    assert any("torque constant is not known" in line for line in blind.told)


@pytest.mark.parametrize("gone", ["speed", "torque"])
def test_no_map_without_speed_and_torque(ran: Run, tmp_path: Path, gone: str) -> None:
    said = refused("drive", sheet(tmp_path, without(columns(ran, np.random.default_rng(1)), gone)), "--no-page")
    assert f"no {gone} was recorded" in said


def test_too_few_points_give_points_and_no_map(tmp_path: Path) -> None:
    short = run(MACHINE, [Level(8.0, rpm, nm) for rpm, nm in ((600, 1.0), (1200, 2.0), (1800, 3.0))])
    found = drive(sheet(tmp_path, columns(short, np.random.default_rng(1))))
    assert found.maps() == {}
    assert any("3 points, and 8 are needed for a map" in line for line in found.told)
    assert found.useful.sum() == 3
    never = {k: v[:60] for k, v in columns(short, np.random.default_rng(1)).items()}
    never["torque [Nm]"] = np.linspace(0.0, 9.0, 60)
    assert "nowhere did speed and torque hold" in refused("drive", sheet(tmp_path, never), "--no-page")


def test_a_log_of_two_motors_wants_to_know_which(tmp_path: Path) -> None:
    t = write_stand.BEGIN + 100_000 * np.arange(400, dtype=np.int64)
    both = {f"MOT_{side}": (t, {f"{side}Speed": 900.0, f"{side}TorqueCurrent": 5.0}) for side in ("Left", "Right")}
    write_log(tmp_path / "two.log", bench_frames(load_profile(write_stand.PROFILE), both))
    sheet = tmp_path / "two.toml"
    sheet.write_text(f'test = "drive"\nprofile = "{write_stand.PROFILE}"\nlog = "two.log"\n', "utf-8")
    assert "2 motors: left, right" in refused("drive", sheet)
    sheet.write_text(sheet.read_text("utf-8") + 'motor = "left"\n', "utf-8")
    assert "no torque was recorded" in refused("drive", sheet)


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('motor = "left"', 'motor = "rear"', "no speed of a motor 'rear'"),
        ("torque_nm = 0.01", "torque_nn = 0.01", "did you mean torque_nm"),
        ("line_at_c = 21.5", "", "line_at_c is missing"),
        ('table = "drive_14.csv"', 'torque_sign = -1\ntable = "drive_14.csv"', "the sign of one of them"),
        ('log = "drive_14.log.gz"', 'log = "drive_14.csv"', 'Name it as table = "..."'),
        ('log = "drive_14.log.gz"', 'log = "tyre_a.toml"', "cannot be read"),
        ('table = "drive_14.csv"', 'table = "tyre_a.csv"', "share no quantity"),
        ('table = "drive_14.csv"', 'table = "drive_15.csv"', "its clock cannot be aligned with the log's"),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, old: str, new: str, what: str) -> None:
    for path in write_stand.FOLDER.iterdir():
        if path.suffix != ".toml" or path.stem == "tyre_a":
            (tmp_path / path.name).symlink_to(path)
    text = (write_stand.FOLDER / "drive_14.toml").read_text("utf-8")
    assert old in text
    text = text.replace(old, new).replace("../../dbc_demo", str(write_stand.PROFILE.parent))
    (tmp_path / "drive.toml").write_text(text, "utf-8")
    assert what in refused("drive", tmp_path / "drive.toml", "--no-page")
