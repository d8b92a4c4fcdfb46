"""Coasting: worked figures, an equation solved by somebody else, how often intervals hold, and what is refused."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from typer.testing import CliRunner, Result

from demo_logs import write_stand
from demo_logs.bench_log import bench_frames
from demo_logs.writers import write_log
from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.coast_down import coast_down, compare_coasts
from herdbook.pipeline.cli import build
from herdbook.pipeline.science.coast_down import (
    Coast,
    at_reference,
    coast_distance,
    coast_time,
    difference,
    fit_pair,
    over_repeats,
)
from herdbook.pipeline.vehicle.profile import load_profile

MASS = 154.5
DRAG = np.array([6.0, 0.0, 0.25])


def stand(*args: object) -> Result:
    return CliRunner().invoke(build(), ["stand", *map(str, args)])


def refused(*args: object) -> str:
    """What is said of a test that cannot be evaluated."""
    result = stand(*args)
    assert result.exception is not None
    assert type(result.exception).__name__ == "InputError", repr(result.exception)
    return str(result.exception)


def test_time_and_distance_are_those_of_the_closed_form() -> None:
    """60 to 10 km/h, A 6 N, C 0.25 N s2/m2, 154.5 kg: 97.020923 s and 696.136 m by closed form and by an ODE, with
    B 0.3 N s/m and C 0.22 93.821143 s (CHECKS-2, coast-down)."""
    assert coast_time(DRAG, MASS, 60 / 3.6, 10 / 3.6) == pytest.approx(97.020923, abs=1e-6)
    assert coast_distance(DRAG, MASS, 60 / 3.6, 10 / 3.6) == pytest.approx(696.136, abs=5e-4)
    assert coast_time(np.array([6.0, 0.3, 0.22]), MASS, 60 / 3.6, 10 / 3.6) == pytest.approx(93.821143, abs=1e-6)


def test_a_car_of_a_public_list_takes_as_long_as_its_coefficients_say() -> None:
    """fastsim 2.1.5, 22-tstcar.csv, first row: A 33.9 lbf, B 0.034, C 0.01668 (mph), 5000 lb: 150.795 N, .338313,
    .371270; 55 to 45 mph in 29.552 s (CHECKS-2, road load). Its mass is that of the car alone."""
    force = np.array([150.795, 0.338313, 0.371270])
    mph = 0.44704
    assert coast_time(force, 5000 * 0.45359237, 55 * mph, 45 * mph) == pytest.approx(29.552, abs=2e-3)


def test_reference_conditions_are_those_of_the_regulation() -> None:
    """UN GTR 15 with K0 8.6e-3: at 5 degC and 102 kPa f0 x .871, f2 x .930227 (CHECKS-2)."""
    assert at_reference(np.ones(3), 5.0, 102.0) == pytest.approx([0.871, 0.871, 0.930227], abs=1e-6)


def solved(forward: bool, force: Floats, wind: float, slope: float) -> Coast:
    """A coast by scipy's solver, with wind against the forward direction."""
    sign = 1.0 if forward else -1.0

    def fall(_: float, v: Floats) -> list[float]:
        through = v[0] + sign * wind
        return [-(force[0] + force[1] * v[0] + force[2] * through * abs(through) + sign * slope) / MASS]

    t = np.arange(0.0, 60.0, 0.1)
    done = solve_ivp(fall, (0.0, 60.0), [60 / 3.6], t_eval=t, rtol=1e-9, atol=1e-9)
    v = done.y[0][done.y[0] > 2.0]
    return Coast(t[: v.size], v, forward)


@pytest.mark.parametrize("with_f1", [False, True])
def test_wind_and_slope_are_told_from_drag(with_f1: bool) -> None:
    force = np.array([6.0, 0.3 if with_f1 else 0.0, 0.25])
    pair = (solved(True, force, 1.2, 4.0), solved(False, force, 1.2, 4.0))
    found = fit_pair(*pair, MASS, with_f1)
    assert found.force == pytest.approx(force, rel=2e-3, abs=2e-3)
    assert (found.wind_ms, found.slope_n) == pytest.approx((1.2, 4.0), rel=5e-3)
    assert found.residual_ms < 1e-3


def gusty(n: int, forward: bool, wind: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """n coasts at once, gusts of 0.3 m/s that last some seconds, sensor noise of 0.03 m/s: (t), (t, n)."""
    sign, dt, steps = (1.0 if forward else -1.0), 0.1, 1100
    v, gust = np.full(n, 60 / 3.6), np.zeros(n)
    rows = []
    for _ in range(steps):
        rows.append(v)
        gust = gust - gust * dt / 5 + 0.3 * np.sqrt(2 * dt / 5) * rng.normal(size=n)
        through = v + sign * wind + gust
        v = v - dt / MASS * (DRAG[0] + DRAG[2] * through * np.abs(through) + sign * 4.0)
    return np.arange(steps, dtype=np.float64) * dt, np.array(rows) + 0.03 * rng.normal(size=(steps, n))


def drawn(worlds: int, pairs: int, seed: int) -> list[Floats]:
    """Forces of the pairs of each world: (pairs, 3)."""
    rng = np.random.default_rng(seed)
    fits: list[list[Floats]] = [[] for _ in range(worlds)]
    level = 0.8 * rng.normal(size=worlds)
    for _ in range(pairs):
        wind = level + 0.3 * rng.normal(size=worlds)
        (t, there), (_, back) = (gusty(worlds, way, wind, rng) for way in (True, False))
        for k in range(worlds):
            a, b = (Coast(t, v[:, k], way).within(10 / 3.6, 58 / 3.6) for v, way in ((there, True), (back, False)))
            fits[k].append(fit_pair(a, b, MASS).force)
    return [np.array(f) for f in fits]


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """400 tests of four pairs in gusty wind: F0 and F2 within their 95 % interval in 90 to 98 %."""
    found = [over_repeats(forces, np.zeros(3)) for forces in drawn(400, 4, seed=5)]
    held = np.mean([np.abs(e.value - DRAG) <= e.half_width for e in found], axis=0)
    print("held:", held)
    assert 0.90 <= held[0] <= 0.98
    assert 0.90 <= held[2] <= 0.98


def test_the_interval_of_a_difference_holds_as_well() -> None:
    """200 comparisons of the same vehicle with itself, four pairs against three: a difference is seen in 2 to 10 %."""
    first, second = drawn(200, 4, seed=6), drawn(200, 3, seed=7)
    none = np.zeros(3)
    seen = [difference(over_repeats(a, none), over_repeats(b, none)) for a, b in zip(first, second, strict=True)]
    false = np.mean([np.abs(d.value) > d.half_width for d in seen], axis=0)
    print("seen:", false)
    assert 0.01 <= false[0] <= 0.10
    assert 0.01 <= false[2] <= 0.10


def test_one_pair_alone_has_no_interval() -> None:
    assert np.isnan(over_repeats(np.ones((1, 3)), np.zeros(3)).half_width).all()


# From sheet to page


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_stand.write_coasts(tmp_path)
    return tmp_path


def test_the_committed_records_are_what_the_tool_writes_and_small(tmp_path: Path) -> None:
    write_stand.write(tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {p.name for p in write_stand.FOLDER.iterdir()}
    assert sum(p.stat().st_size for p in tmp_path.iterdir()) < 300_000
    for path in tmp_path.iterdir():
        assert path.read_bytes() == (write_stand.FOLDER / path.name).read_bytes(), path.name


def test_a_sheet_gives_forces_page_and_tables(folder: Path) -> None:
    """The truth at reference: rolling 15.1 N x (1 - 8 x 0.0086), air 0.34 x density."""
    result = stand("coast-down", folder / "tyre_a.toml", "--out", folder / "out", "--json")
    said = json.loads(result.stdout)
    figures = {f["name"]: f for f in said["figures"]}
    true = {"F0": 15.1 * (1 - 8 * 0.0086), "F2": 0.34 * (285.15 / 293.15) * (100 / 97.4)}
    for name, value in true.items():
        assert abs(figures[name]["value"] - value) <= figures[name]["half_width"], name
    assert [p["slope_n"] for p in said["pairs"]] == pytest.approx([2.6] * 4, abs=0.3)
    written = {Path(path).name for path in said["files"]}
    assert written == {"tyre_a.html"} | {f"tyre_a-{t}.{e}" for t in ("points", "curve") for e in ("csv", "parquet")}
    page = (folder / "out" / "tyre_a.html").read_text("utf-8")
    assert "Coast on a closed, level stretch" in page
    assert "Local law, transport rules and licensed practice prevail" in page


def test_two_tyres_are_told_apart_by_what_they_differ_in(folder: Path) -> None:
    """Truth: 2.2 N less rolling (2.05 at reference), the same air."""
    change = compare_coasts(coast_down(folder / "tyre_a.toml"), coast_down(folder / "tyre_b.toml"))
    assert abs(change.load.value[0] + 2.2 * (1 - 8 * 0.0086)) <= change.load.half_width[0]
    assert change.load.told_apart[0]
    assert not change.load.told_apart[2]
    said = stand("compare", folder / "tyre_a.toml", folder / "tyre_b.toml", "--out", folder / "out").output
    assert re.search(r"tyre B needs [\d.]+ ± [\d.]+ N \([\d.]+ %\) less force", " ".join(said.split()))
    assert (folder / "out" / "tyre_a-tyre_b.html").is_file()


CHANGED = [
    ("mass_kg = 101.4", 'mass_kg = "heavy"', "mass_kg is 'heavy'", "5 to 5000 kg"),
    ("mass_kg = 101.4", "", "mass_kg is missing", "herdbook help stand"),
    ("air_c = 12.0", "air_c = 120.0", "air_c is 120.0", "-40 to 60 degC"),
    ("turning_kg", "turnin_kg", "turnin_kg is no key", "did you mean turning_kg"),
    ('["there", "back", ', '["there", ', "8 coasts were found", "7 directions"),
    ('["there", "back", ', '["there", "up", ', "'up'", "there, back"),
    ("tyre_a.csv", "gone.csv", "gone.csv", "no file here"),
    ('test = "coast-down"', 'test = "drag"', "'drag'", "coast-down, drive, pack"),
    ('test = "coast-down"', 'test = "pack"', "of kind pack", "herdbook stand pack"),
    ('name = "', "name = ", "is no TOML", "Name the TOML file"),
    ("[[run]]", "[run]", "[[run]]", "must be tables"),
]


@pytest.mark.parametrize(("old", "new", "what", "do"), CHANGED, ids=lambda v: str(v)[:24])
def test_what_is_wrong_in_a_sheet_is_told(folder: Path, old: str, new: str, what: str, do: str) -> None:
    sheet = folder / "tyre_a.toml"
    text = sheet.read_text("utf-8")
    assert old in text
    sheet.write_text(text.replace(old, new), "utf-8")
    said = refused("coast-down", sheet, "--no-page")
    assert what in said
    assert do in said
    assert "tyre_a.toml" in said or "tyre_a.csv" in said


def test_one_direction_only_is_refused(folder: Path) -> None:
    sheet = folder / "tyre_a.toml"
    sheet.write_text(sheet.read_text("utf-8").replace('"back"', '"there"'), "utf-8")
    said = refused("coast-down", sheet, "--no-page")
    assert "slope and wind cannot be told from drag" in said
    assert "in the other direction" in said


@pytest.mark.parametrize(
    ("old", "new", "what", "do"),
    [
        ("[km/h]", "", "has no unit", "vehicle_speed [m/s]"),
        ("[km/h]", "[knots]", "unit 'knots'", "m/s, km/h, mph"),
        ("vehicle_speed", "velocity", "no column is one that is known", "vehicle_speed [m/s]"),
        ("time [s]", "time [weeks]", "'weeks'", "us"),
        ("time [s]", "time", "has no unit", "time [s]"),
        ("\n100.0,", "\n1.0,", "time does not rise", "in order of time"),
    ],
)
def test_what_is_wrong_in_a_table_is_told(folder: Path, old: str, new: str, what: str, do: str) -> None:
    table = folder / "tyre_a.csv"
    text = table.read_text("utf-8")
    assert old in text
    table.write_text(text.replace(old, new), "utf-8")
    said = refused("coast-down", folder / "tyre_a.toml", "--no-page")
    assert what in said
    assert do in said
    assert "tyre_a.csv" in said


def test_too_little_is_refused(folder: Path) -> None:
    table = folder / "tyre_a.csv"
    lines = table.read_text("utf-8").splitlines()
    table.write_text("\n".join(lines[:5]), "utf-8")
    assert "too few" in refused("coast-down", folder / "tyre_a.toml", "--no-page")
    table.write_text("\n".join(lines[:30]), "utf-8")
    assert "no coast was found" in refused("coast-down", folder / "tyre_a.toml", "--no-page")


def test_one_pair_gives_figures_and_says_that_it_has_no_interval(folder: Path) -> None:
    lines = (folder / "tyre_a.csv").read_text("utf-8").splitlines()
    speeds = np.array([float(line.split(",")[1]) for line in lines[1:]])
    run_ups = np.flatnonzero((speeds[:-1] <= 5.0) & (speeds[1:] > 5.0))
    (folder / "tyre_a.csv").write_text("\n".join(lines[: run_ups[2]]), "utf-8")
    sheet = folder / "tyre_a.toml"
    text = sheet.read_text("utf-8").replace(', "there", "back", "there", "back", "there", "back"]', "]")
    sheet.write_text(text, "utf-8")
    said = json.loads(stand("coast-down", sheet, "--no-page", "--json").stdout)
    assert {f["half_width"] for f in said["figures"]} == {None}
    assert any("no interval" in line for line in said["told"])
    assert "has one pair" in refused("compare", sheet, folder / "tyre_b.toml", "--no-page")


def test_a_table_of_another_country_is_read(folder: Path) -> None:
    """Semicolons, decimal commas, a byte order mark, miles an hour and a name of the instrument's own."""
    lines = (folder / "tyre_a.csv").read_text("utf-8").splitlines()[1:]
    rows = [f"{t};{float(v) / 1.609344:.3f}".replace(".", ",") for t, v in (line.split(",") for line in lines)]
    (folder / "tyre_a.csv").write_text("time [s];Vé [mph]\n" + "\n".join(rows), "utf-8-sig")
    sheet = folder / "tyre_a.toml"
    plain = coast_down(write_stand.FOLDER / "tyre_a.toml")
    sheet.write_text(sheet.read_text("utf-8") + '[run.columns]\nvehicle_speed = "Vé [mph]"\n', "utf-8")
    assert coast_down(sheet).load.value == pytest.approx(plain.load.value, rel=2e-3)


@pytest.mark.parametrize("motor_a", [0.0, 6.0])
def test_coasts_are_found_in_a_bus_log(tmp_path: Path, motor_a: float) -> None:
    """The same record as a vehicle's bus carries it; where its motors drive while the speed falls, it is no coast."""
    t, v = write_stand.coasts(15.1, 0.34, np.random.default_rng(3))
    us = 1_790_000_000_000_000 + (t * 1e6).astype(np.int64)
    driven = np.append(np.diff(v), -1.0) > 0.0
    amps = np.where(driven, 20.0, motor_a)
    profile = load_profile(Path("dbc_demo/zirbel.toml"))
    motors = {
        f"MOT_{side}": (us + 1000, {f"{side}TorqueCurrent": amps, f"{side}Speed": 3.2 * v / (np.pi * 0.2) * 60})
        for side in ("Left", "Right")
    }
    write_log(tmp_path / "coasts.log", bench_frames(profile, {"VEH_Motion": (us, {"WheelSpeed": v})} | motors))
    text = (write_stand.FOLDER / "tyre_a.toml").read_text("utf-8").replace("tyre_a.csv", "coasts.log")
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(f'profile = "{Path("dbc_demo/zirbel.toml").absolute()}"\n' + text, "utf-8")
    if motor_a:
        assert "no coast was found" in refused("coast-down", sheet, "--no-page")
        return
    found = coast_down(sheet)
    assert len(found.pairs) == 4
    assert not any("tester's word" in line for line in found.told)
    assert found.load.value == pytest.approx(coast_down(write_stand.FOLDER / "tyre_a.toml").load.value, rel=0.05)
