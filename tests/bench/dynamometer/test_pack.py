"""The pack test against a pack whose groups are known (demo_logs/stand_pack.py, physics of its own)."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner, Result

from demo_logs import write_stand
from demo_logs.stand_pack import GROUPS, Bench, BenchPack, bench_test, rest_volts, usual_pack
from demo_logs.writers import write_log
from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.dynamometer.pack import Pack, compare_packs, pack
from herdbook.pipeline.bench.dynamometer.pack_steps import Kind
from herdbook.pipeline.cli import build
from herdbook.pipeline.reports.bench.pack_page import write_pack
from herdbook.pipeline.reports.bench.pack_words import ratios
from herdbook.pipeline.science.incremental import incremental
from herdbook.pipeline.science.relaxation import relaxed
from herdbook.pipeline.vehicle.profile import load_profile


def stand(*args: object) -> Result:
    return CliRunner().invoke(build(), ["stand", *map(str, args)])


def refused(*args: object) -> str:
    result = stand(*args)
    assert type(result.exception).__name__ == "InputError", repr(result.exception)
    return str(result.exception)


@pytest.fixture(scope="module")
def made() -> tuple[BenchPack, Bench]:
    of = usual_pack(np.random.default_rng(11))
    return of, bench_test(of)


def written(folder: Path, of: Bench, seed: int = 1, air_c: float = 25.0, text: str = write_stand.PACK_SHEET) -> Path:
    profile = load_profile(write_stand.PROFILE)
    write_log(folder / "pack.log.gz", write_stand.pack_log(of, profile, np.random.default_rng(seed), air_c))
    path = folder / "pack.toml"
    path.write_text(text.replace("../../dbc_demo", str(write_stand.PROFILE.parent)), "utf-8")
    return path


@pytest.fixture(scope="module")
def found(made: tuple[BenchPack, Bench], tmp_path_factory: pytest.TempPathFactory) -> Pack:
    return pack(written(tmp_path_factory.mktemp("pack"), made[1]))


def ten_seconds(of: BenchPack) -> Floats:
    """Resistance of each group ten seconds after a step [ohm]."""
    return np.asarray(of.ohm * (1 + sum(part * (1 - np.exp(-10.0 / tau)) for part, tau in of.slow)))


def test_charge_and_energy_are_what_went_through(made: tuple[BenchPack, Bench], found: Pack) -> None:
    """Truth: the weakest group's own charge from the first sample to the end of the discharge."""
    of, bench = made
    out, into = found.passed
    assert (out.kind, into.kind) == (Kind.DISCHARGE, Kind.CHARGE)
    end = int(np.argmin(bench.share.min(axis=1)))
    true = float(((bench.share[0] - bench.share[end]) * of.capacity_ah).mean())
    assert abs(out.ah - true) <= out.ah_half
    assert out.ah_half < 0.01 * true
    wh = float(np.trapezoid(bench.volts[: end + 1].sum(axis=1) * bench.amps[: end + 1], bench.t[: end + 1])) / 3600
    assert abs(out.wh - wh) <= out.wh_half
    assert found.first_at_the_end(Kind.DISCHARGE) == 4
    assert found.first_at_the_end(Kind.CHARGE) == 1 + int(np.argmax(bench.volts[into.last]))


def test_the_round_trip_is_energy_out_over_energy_in(made: tuple[BenchPack, Bench], found: Pack) -> None:
    _, bench = made
    end = int(np.argmin(bench.share.min(axis=1)))
    power = bench.volts.sum(axis=1) * bench.amps
    out = float(np.trapezoid(power[: end + 1], bench.t[: end + 1]))
    into = -float(np.trapezoid(power[end:], bench.t[end:]))
    assert found.trip is not None
    assert abs(found.trip.energy - out / into) <= found.trip.energy_half
    assert found.trip.energy_half < 0.01
    assert found.trip.alike
    assert found.trip.voltage == pytest.approx(found.trip.energy / found.trip.charge)


def test_resistance_of_each_group_lies_in_its_interval(made: tuple[BenchPack, Bench], found: Pack) -> None:
    """Six pulses at three charges, twelve groups each."""
    true = ten_seconds(made[0])
    assert [(b.soc_pct, b.temp_c, b.charging) for b in found.pulses] == [
        (soc, 25.0, way) for soc in (25.0, 50.0, 75.0) for way in (False, True)
    ]
    held = [float(np.mean(np.abs(b.ohm - true) <= b.half)) for b in found.pulses]
    assert np.mean(held) >= 0.9
    for b in found.pulses:
        assert np.median(b.ohm) == pytest.approx(np.median(true), rel=0.03)
        assert b.two_s[0] < b.ohm[0]
    assert ratios(found) == pytest.approx(true / np.median(true), rel=0.025)


def test_capacities_of_groups_are_told_apart(made: tuple[BenchPack, Bench], found: Pack) -> None:
    of, _ = made
    assert found.groups is not None
    true = of.capacity_ah - np.median(of.capacity_ah)
    away = np.abs(found.groups.capacity_ah - true)
    assert away.max() < 0.15  # of 29.6 Ah
    assert np.mean(away <= found.groups.capacity_half + 0.005 * np.abs(true)) >= 0.8
    assert int(np.argmin(found.groups.capacity_ah)) == 3


def test_rest_voltages_are_those_of_the_charge_they_rest_at(made: tuple[BenchPack, Bench], found: Pack) -> None:
    """Each rest of twenty minutes and more settles at the curve, within its interval in 85 % or more and 4 mV always;
    the slow part takes about 250 s."""
    _, bench = made
    assert len(found.rests) >= 5
    held = []
    for rest in found.rests:
        k = int(np.searchsorted(bench.t, rest.begin_s + rest.seconds)) - 1
        away = np.abs(rest.of.settled_v - rest_volts(bench.share[k]))
        assert away.max() < 4e-3
        held.append(float(np.mean(away <= 1.96 * rest.of.settled_se)))
    print("held:", held)
    assert np.mean(held) >= 0.85
    deep = next(r for r in found.rests if r.seconds > 2000)
    assert np.median(deep.of.slow_s) == pytest.approx(250.0, rel=0.35)


def test_a_relaxation_without_noise_is_found_exactly() -> None:
    t = np.arange(1.0, 3000.0, 5.0)
    curves = np.column_stack([3.3 - 0.01 * np.exp(-t / 60) - 0.02 * np.exp(-t / 600), 3.2 + 0.03 * np.exp(-t / 300)])
    of = relaxed(t, curves)
    assert of.settled_v == pytest.approx([3.3, 3.2], abs=1e-4)
    assert of.slow_s[0] == pytest.approx(600, rel=0.2)
    assert not of.short.any()
    early = relaxed(t[:60], curves[:60])
    assert early.short[0]


def test_incremental_capacity_is_the_derivative_of_the_curve() -> None:
    """At no load dQ/dV is 1 over the slope of the curve of the model; its peaks lie where the slope is least."""
    share = np.linspace(0.05, 0.95, 20_000)
    volts = rest_volts(share)
    of = incremental(30.0 * (share - share[0]), volts[:, None], 0.002)
    edges = np.append(of.volts, of.volts[-1] + 0.002) - 0.001
    true = 30.0 * np.diff(np.interp(edges, volts, share)) / 0.002
    true = np.convolve(true, np.array([1, 4, 6, 4, 1]) / 16, "same")  # as smooth as what is compared with it
    assert of.ah_per_v[4:-4, 0] == pytest.approx(true[4:-4], rel=0.03, abs=0.3)
    total = np.nansum(of.ah_per_v[:, 0]) * 0.002
    assert total == pytest.approx(27.0, rel=0.02)
    steepest = volts[int(np.argmin(np.gradient(volts, share)))]
    assert of.peak_v[0] == pytest.approx(steepest, abs=0.004)
    with pytest.raises(ValueError, match="no charge passes"):
        incremental(np.zeros(50), volts[:50, None], 0.002)


def test_a_group_of_more_resistance_has_its_peaks_elsewhere(made: tuple[BenchPack, Bench], found: Pack) -> None:
    """By its resistance times the current, down in a discharge and up in a charge."""
    of, _ = made
    full = of.ohm * (1 + sum(part for part, _ in of.slow))
    for c, sign in zip(found.curves, (-1.0, 1.0), strict=True):
        away = c.of.peak_v[6] - np.median(c.of.peak_v)
        assert away == pytest.approx(sign * c.rate * 30.0 * (full[6] - np.median(full)), abs=0.002)


def test_it_writes_page_and_tables_with_every_group(tmp_path: Path) -> None:
    said = json.loads(stand("pack", write_stand.FOLDER / "pack.toml", "--out", tmp_path, "--json").stdout)
    figures = {f["name"]: f for f in said["figures"]}
    assert figures["least capacity of a group"]["remark"].startswith("group 4")
    assert figures["highest resistance"]["remark"].startswith("group 7")
    page = (tmp_path / "pack.html").read_text("utf-8")
    for words in ("call the fire service", "A pack cannot be switched off", "attended", "no proof that a unit is safe"):
        assert words in page
    assert page.count('class="board"') == 6
    dqdv = pl.read_parquet(tmp_path / "pack-dqdv.parquet")
    assert dqdv["group"].n_unique() == GROUPS
    assert set(dqdv["way"]) == {"charge", "discharge"}
    assert pl.read_csv(tmp_path / "pack-pulses.csv").height == 6 * GROUPS


def test_a_pack_that_aged_is_told_from_what_it_was(made: tuple[BenchPack, Bench], tmp_path: Path) -> None:
    """3 % less capacity and a fifth more resistance; by the same instruments."""
    of, bench = made
    old = replace(of, capacity_ah=0.97 * of.capacity_ah, ohm=1.2 * of.ohm)
    sheets = []
    for name, one in (("young", bench), ("old", bench_test(old))):
        (tmp_path / name).mkdir()
        sheets.append(written(tmp_path / name, one))
    change = compare_packs(*(pack(s, instruments=False) for s in sheets))
    rows = {name: (value, half) for name, _, value, half in change.rows}
    value, half = rows["charge of the discharge"]
    assert value == pytest.approx(-0.03 * float(of.capacity_ah.min()), abs=0.1)
    assert abs(value) > half
    value, half = rows["median group's resistance discharging, 50 %, 25 °C"]
    assert value == pytest.approx(200 * float(np.median(ten_seconds(of))), rel=0.15)
    assert abs(value) > half
    said = " ".join(stand("compare", *sheets, "--same-instruments", "--out", tmp_path).output.split())
    assert "Ah less, charge of the discharge" in said


def test_pulses_are_kept_apart_by_temperature(tmp_path: Path, made: tuple[BenchPack, Bench]) -> None:
    """Two logs of one test: the second in the cold, where every group has twice its resistance."""
    of, bench = made
    cold = bench_test(replace(of, ohm=2.0 * of.ohm), pulses_at=(0.5,))
    sheet = written(tmp_path, bench)
    profile = load_profile(write_stand.PROFILE)
    later = replace(cold, t=cold.t + bench.t[-1] + 100.0)
    log = write_stand.pack_log(later, profile, np.random.default_rng(2), air_c=5.0)
    write_log(tmp_path / "cold.log.gz", log)
    sheet.write_text(sheet.read_text("utf-8").replace('"pack.log.gz"', '"pack.log.gz", "cold.log.gz"'), "utf-8")
    bins = {(b.soc_pct, b.temp_c, b.charging): float(np.median(b.ohm)) for b in pack(sheet).pulses}
    assert bins[50.0, 5.0, False] == pytest.approx(2.0 * bins[50.0, 25.0, False], rel=0.05)


def test_a_pulse_without_a_groups_voltage_leaves_its_place_open(found: Pack, tmp_path: Path) -> None:
    """At two temperatures, so that there is a map; the page is written, and no place says nan."""
    cold = [replace(b, temp_c=b.temp_c - 20.0, ohm=2.0 * b.ohm) for b in found.pulses]
    cold[0].ohm[3] = np.nan
    page, *_ = write_pack(replace(found, pulses=(*found.pulses, *cold)), tmp_path, source="pack.toml")
    text = page.read_text("utf-8")
    assert "Resistance map, discharging" in text
    assert ">nan<" not in text


def test_without_an_end_there_is_no_capacity(tmp_path: Path, made: tuple[BenchPack, Bench]) -> None:
    _, bench = made
    half = Bench(bench.t[:700], bench.amps[:700], bench.volts[:700], bench.share[:700])
    found = pack(written(tmp_path, half))
    assert found.capacity is None
    assert found.trip is None
    assert any("The capacity is not known" in line and "seen: full" in line for line in found.told)
    assert "No capacity" in stand("pack", tmp_path / "pack.toml", "--no-page").output


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('profile = "', '# profile = "', "the sheet names no profile"),
        ('logs = ["pack.log.gz"]', "", "logs is missing"),
        ('logs = ["pack.log.gz"]', 'logs = ["gone.log"]', "no file here"),
        ('begins = "full"', 'begins = "half"', "one of: full, empty, unknown"),
        ("empty_v = 2.80", "empty_v = 28.0", "0.5 to 5 V"),
        ("current_a = 0.01", "current_amps = 0.01", "did you mean current_a"),
        ('logs = ["pack.log.gz"]', 'table = "short.csv"', "too few"),
        ('logs = ["pack.log.gz"]', 'table = "blind.csv"', "has no column voltage"),
    ],
)
def test_what_is_wrong_is_told(tmp_path: Path, made: tuple[BenchPack, Bench], old: str, new: str, what: str) -> None:
    assert old in write_stand.PACK_SHEET
    sheet = written(tmp_path, made[1], text=write_stand.PACK_SHEET.replace(old, new))
    rows = "".join(f"{k},1.0\n" for k in range(40))
    (tmp_path / "blind.csv").write_text(f"time [s],current [A]\n{rows}", "utf-8")
    (tmp_path / "short.csv").write_text("time [s],current [A],voltage [V]\n0,1,3\n1,1,3\n", "utf-8")
    assert what in refused("pack", sheet, "--no-page")


def test_a_log_with_nothing_in_it_to_say_is_refused(tmp_path: Path, made: tuple[BenchPack, Bench]) -> None:
    _, bench = made
    rest = Bench(bench.t[:200], np.zeros(200), bench.volts[:200], bench.share[:200])
    text = write_stand.PACK_SHEET.replace('begins = "full"\n', "").replace('begins = "full" ', "# ")
    assert "nothing to say of it" in refused("pack", written(tmp_path, rest, text=text), "--no-page")
