"""One profile that is refused stops no scan: the others' vehicles are judged, its own are named with what is wrong."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.pipeline.cli import build
from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.night.again import outdated
from herdbook.pipeline.night.changes import QUARANTINED, UNASSESSED, ChangeList
from herdbook.pipeline.night.messages import text
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.night.steps import ScanResult
from herdbook.pipeline.upkeep.conditions import of_store
from tests.toy.bench import DATA, NOW, Bench

MISTAKES = {  # what a person types, by what the message says of it
    "geer": '[drive]\ngeer = 3.0\n',
    "is not TOML": "[pack\n",
    "weak_grp.look": '[limits]\n"weak_grp.look" = 2\n',
}  # fmt: skip


def moved(lines: list[str]) -> list[str]:
    """The same frames of a maker who chose other identifiers."""
    return [line.replace(" can0 1", " can0 2") for line in lines]


@pytest.fixture
def two(tmp_path: Path) -> Bench:
    """TOY-001 and CAR-001, of two profiles, have been judged; each has a new log."""
    profiles = tmp_path / "profiles"
    shutil.copytree(DATA, profiles)
    dbc = (DATA / "toy.dbc").read_text("ascii")
    for old in range(256, 260):
        dbc = dbc.replace(f"BO_ {old} ", f"BO_ {old + 256} ").replace(f" {old} ", f" {old + 256} ")
    (profiles / "car.dbc").write_text(dbc, "ascii")
    car = (DATA / "toy.toml").read_text("utf-8").replace("toy", "car").replace("TOY-", "CAR-")
    (profiles / "car.toml").write_text(car, "utf-8")
    bench = Bench(tmp_path, profiles)
    toy.write(bench.inbox / "TOY-001.log", toy.stretch(toy.T0, 20, serial=1))
    toy.write(bench.inbox / "CAR-001.log", moved(toy.stretch(toy.T0, 20, serial=1)))
    bench.scan()
    later = toy.T0 + 86_400_000_000
    toy.write(bench.inbox / "TOY-001b.log", toy.stretch(later, 20, serial=1))
    toy.write(bench.inbox / "CAR-001b.log", moved(toy.stretch(later, 20, serial=1)))
    return bench


def broken(bench: Bench, mistake: str, name: str = "car") -> Path:
    path = bench.folder / "profiles" / f"{name}.toml"
    path.write_text(path.read_text("utf-8") + "\n" + MISTAKES[mistake], "utf-8")
    return path


def night(bench: Bench) -> tuple[ScanResult, ChangeList]:
    done = run_scan(bench.inbox, bench.store, jobs=0, now=NOW)
    changes = last_night(bench.store)
    assert changes is not None
    return done, changes


@pytest.mark.parametrize("mistake", MISTAKES)
def test_the_sound_profile_s_vehicle_is_judged_and_the_other_is_named(two: Bench, mistake: str) -> None:
    path = broken(two, mistake)
    done, changes = night(two)
    assert done.vehicles == 1
    ((vehicle, why),) = changes.not_assessed
    assert vehicle == "CAR-001"
    assert mistake in why
    assert path.name in why
    assert changes.exit_code == UNASSESSED
    assert two.ask("SELECT count(*) FROM logs WHERE vehicle = 'TOY-001'") == [(2,)]
    assert sum("profile car is refused" in note for note in changes.notes) == 1
    assert "NOT ASSESSED" in text(changes)


def test_the_command_names_it_and_its_file_and_leaves_with_40(two: Bench) -> None:
    broken(two, "geer")
    said = CliRunner().invoke(
        build(), ["scan", str(two.inbox), "--store", str(two.store.folder), "--jobs", "1"], env={"COLUMNS": "400"}
    )
    assert said.exit_code == UNASSESSED, said.output
    for word in ("CAR-001", "car.toml", "geer", "gear"):
        assert word in said.output


def test_its_log_waits_and_is_taken_in_once_the_profile_is_mended(two: Bench) -> None:
    sound = (two.folder / "profiles" / "car.toml").read_text("utf-8")
    path = broken(two, "is not TOML")
    for _ in range(2):  # told again every night
        _, changes = night(two)
        assert [vehicle for vehicle, _ in changes.not_assessed] == ["CAR-001"]
    assert list(two.reasons()) == ["CAR-001b.log"]
    assert "profile car is refused" in two.reasons()["CAR-001b.log"]
    assert outdated(two.store) == []  # nor is an old log decoded again by nothing
    path.write_text(sound, "utf-8")
    done, changes = night(two)
    assert (done.vehicles, two.reasons(), changes.not_assessed) == (1, {}, ())
    assert two.ask("SELECT count(*) FROM logs WHERE vehicle = 'CAR-001'") == [(2,)]


def test_a_sound_profile_with_the_same_identifiers_does_not_take_its_log(two: Bench) -> None:
    (two.folder / "profiles" / "car.dbc").write_bytes((DATA / "toy.dbc").read_bytes())
    broken(two, "is not TOML")
    toy.write(two.inbox / "CAR-002.log", toy.stretch(toy.T0 + 9_000_000_000, 20, serial=2))
    _, changes = night(two)
    assert "CAR-002.log" in two.reasons()
    assert "CAR-002" in {vehicle for vehicle, _ in changes.not_assessed}


def test_where_its_dbc_file_is_gone_too_the_path_says_whose_the_log_is(two: Bench) -> None:
    (two.folder / "profiles" / "car.dbc").unlink()
    toy.write(two.inbox / "CAR-003.log", toy.stretch(toy.T0 + 9_000_000_000, 20, serial=3))
    _, changes = night(two)
    assert "car.dbc" in two.reasons()["CAR-003.log"]
    assert {vehicle for vehicle, _ in changes.not_assessed} == {"CAR-001", "CAR-003"}
    assert changes.exit_code != QUARANTINED


def test_two_profiles_of_one_name_are_both_refused(two: Bench) -> None:
    profiles = two.folder / "profiles"
    shutil.copy(profiles / "car.toml", profiles / "copy.toml")
    (profiles / "copy.toml").write_text('name = "car"\n' + (profiles / "car.toml").read_text().split("\n", 1)[1])
    done, changes = night(two)
    assert done.vehicles == 1
    assert "two profiles are named 'car'" in dict(changes.not_assessed)["CAR-001"]


def test_no_sound_profile_stops_the_scan_as_before(two: Bench) -> None:
    broken(two, "geer")
    broken(two, "weak_grp.look", "toy")
    with pytest.raises(ProfileError, match="geer"):
        run_scan(two.inbox, two.store, jobs=0, now=NOW)


def test_the_profile_s_own_check_keeps_its_code_and_the_doctor_tells(two: Bench) -> None:
    path = broken(two, "geer")
    said = CliRunner().invoke(build(), ["profile", "check", str(path)]).exception
    assert isinstance(said, ProfileError)
    assert said.exit_code == 3
    found = {c.what: c for c in of_store(two.store.folder)}["profiles"]
    assert "profile car is refused" in found.found
