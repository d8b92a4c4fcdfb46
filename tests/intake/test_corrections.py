"""A log that was given to the wrong vehicle is another's or forgotten, for good, by whom and why; histories say so."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.pipeline.cli import build
from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.intake.corrections import corrections, forget, give
from herdbook.pipeline.reports.history.document import document
from herdbook.pipeline.upkeep.repair import repair
from tests.toy.bench import DATA, Bench

BY, WHY = "service desk", "the dock had the wrong name"


@pytest.fixture
def taken(bench: Bench) -> Bench:
    """Two days of TOY-007, of which the second is another vehicle's in truth; sidecars told whose they are."""
    for name, day in (("a.log", 0), ("b.log", 1)):
        toy.write(bench.inbox / name, toy.day(start=toy.T0 + day * 86_400_000_000))
    bench.scan()
    return bench


def owners(bench: Bench) -> dict[str, str]:
    return dict(bench.ask("SELECT name, vehicle FROM logs ORDER BY name"))


def words(bench: Bench, vehicle: str) -> str:
    return " ".join(str(line["text"]) for line in document(bench.store, vehicle)["lines"])


def test_a_log_is_given_to_another_vehicle_and_both_are_judged_again(taken: Bench) -> None:
    assert taken.ask("SELECT count(*) FROM sessions WHERE vehicle = 'TOY-007'")[0][0] > 1
    give(taken.store, "b.log", "TOY-009", by=BY, why=WHY)
    assert taken.scan().vehicles == 2
    assert owners(taken) == {"a.log": "TOY-007", "b.log": "TOY-009"}
    per_vehicle = dict(taken.ask("SELECT vehicle, count(*) FROM sessions GROUP BY vehicle"))
    assert per_vehicle["TOY-007"] == per_vehicle["TOY-009"]
    for vehicle, was in (("TOY-009", "another vehicle"), ("TOY-007", "this vehicle")):
        said = words(taken, vehicle)
        assert f"The log b.log had been taken for that of {was}; by the word of service desk" in said
        assert "the dock had the wrong name" in said


def test_the_same_bytes_again_do_not_undo_it(taken: Bench) -> None:
    give(taken.store, "b.log", "TOY-009", by=BY, why=WHY)
    taken.scan()
    shutil.copy2(taken.inbox / "b.log", taken.inbox / "copy.log")
    toy.write(taken.inbox / "b.log.toml", ['vehicle = "TOY-007"'])
    taken.scan()
    assert owners(taken) == {"a.log": "TOY-007", "b.log": "TOY-009"}
    assert taken.ask("SELECT identity_by FROM logs WHERE name = 'b.log'") == [("person",)]


def test_a_forgotten_log_leaves_nothing_and_does_not_come_back(taken: Bench) -> None:
    forget(taken.store, "b.log", by=BY, why=WHY)
    taken.scan()
    assert owners(taken) == {"a.log": "TOY-007"}
    shutil.copy2(taken.inbox / "b.log", taken.inbox / "copy.log")
    done = taken.scan()
    assert (done.logs_new, owners(taken)) == (0, {"a.log": "TOY-007"})
    for table in ("log_spans", "log_messages", "parts"):
        assert taken.ask(f"SELECT count(DISTINCT log) FROM {table}") == [(1,)]
    assert "it was forgotten. The reason given: the dock had the wrong name." in words(taken, "TOY-007")


def test_a_vehicle_without_logs_is_gone_and_a_forgotten_log_can_be_given(taken: Bench) -> None:
    forget(taken.store, "a.log", by=BY, why=WHY)
    forget(taken.store, "b.log", by=BY, why=WHY)
    taken.scan()
    assert taken.ask("SELECT vehicle FROM vehicles") == []
    assert taken.ask("SELECT count(*) FROM sessions") == [(0,)]
    give(taken.store, "b.log", "TOY-009", by=BY, why=WHY)
    taken.scan()
    assert owners(taken) == {"b.log": "TOY-009"}
    assert [c.to_vehicle for c in corrections(taken.store)] == ["TOY-009", None, None]


def test_a_correction_needs_a_log_a_name_and_a_reason(taken: Bench) -> None:
    with pytest.raises(NotKnownError, match=r"no log 'c\.log'"):
        give(taken.store, "c.log", "TOY-009", by=BY, why=WHY)
    with pytest.raises(SettingsError, match="a name and a reason"):
        give(taken.store, "b.log", "TOY-009", by=" ", why="x")
    with pytest.raises(SettingsError, match="is TOY-007's already"):
        give(taken.store, "b.log", "TOY-007", by=BY, why=WHY)
    with pytest.raises(SettingsError, match="cannot be printed"):
        give(taken.store, "b.log", "TOY\x1b", by=BY, why=WHY)
    for what in (("--to", "TOY-009"), ("--forget",)):
        asked = CliRunner().invoke(build(), ["correct", *what, "--store", str(taken.store.folder)])
        assert isinstance(asked.exception, SettingsError)
        assert "which log" in str(asked.exception)
    digits = taken.ask("SELECT log[1:10] FROM logs WHERE name = 'b.log'")[0][0]
    assert give(taken.store, digits, "TOY-009", by=BY, why=WHY).name == "b.log"


def test_a_log_in_quarantine_is_given_to_its_vehicle(bench: Bench) -> None:
    """A sidecar and the bus name two vehicles: a person's word settles it, and histories say that it was refused."""
    toy.write(bench.inbox / "a.log", toy.day(start=toy.T0))
    toy.write(bench.inbox / "b.log", toy.day(start=toy.T0 + 86_400_000_000))
    toy.write(bench.inbox / "b.log.toml", ['vehicle = "TOY-009"'])
    bench.scan()
    assert list(bench.reasons()) == ["b.log"]
    assert owners(bench) == {"a.log": "TOY-007"}
    said = give(bench.store, "b.log", "TOY-009", by=BY, why=WHY)
    assert said.from_vehicle == ""
    bench.scan()
    assert bench.reasons() == {}
    assert owners(bench) == {"a.log": "TOY-007", "b.log": "TOY-009"}
    assert bench.ask("SELECT identity_by FROM logs WHERE name = 'b.log'") == [("person",)]
    assert "The log b.log had been refused; by the word of service desk" in words(bench, "TOY-009")
    shown = CliRunner().invoke(build(), ["correct", "--store", str(bench.store.folder)])
    assert "in quarantine" in shown.output


def test_a_log_in_quarantine_is_forgotten(bench: Bench) -> None:
    toy.write(bench.inbox / "b.log", toy.day(start=toy.T0))
    toy.write(bench.inbox / "b.log.toml", ['vehicle = "TOY-009"'])
    bench.scan()
    assert list(bench.reasons()) == ["b.log"]
    forget(bench.store, "b.log", by=BY, why=WHY)
    bench.scan()
    assert bench.reasons() == {}
    assert owners(bench) == {}


def test_a_persons_word_holds_when_a_log_is_decoded_again(tmp_path: Path) -> None:
    """The refusal that it settled would take the log out of the record: other DBC files must not bring it back."""
    profiles = tmp_path / "profiles"
    shutil.copytree(DATA, profiles)
    bench = Bench(tmp_path / "bench", profiles)
    toy.write(bench.inbox / "b.log", toy.day(start=toy.T0))
    toy.write(bench.inbox / "b.log.toml", ['vehicle = "TOY-009"'])
    bench.scan()
    give(bench.store, "b.log", "TOY-009", by=BY, why=WHY)
    bench.scan()
    made = bench.ask("SELECT part FROM parts")
    dbc = next(profiles.glob("*.dbc"))
    dbc.write_text(dbc.read_text("latin-1").replace("\nBO_ ", "\nBO_ 1999 NEW: 8 NOBODY\n\nBO_ ", 1), "latin-1")
    assert any("changed" in note for note in bench.scan().notes)
    assert bench.ask("SELECT part FROM parts") != made
    assert bench.reasons() == {}
    assert owners(bench) == {"b.log": "TOY-009"}


def test_a_persons_word_holds_when_a_part_is_repaired(bench: Bench) -> None:
    toy.write(bench.inbox / "b.log", toy.day(start=toy.T0))
    toy.write(bench.inbox / "b.log.toml", ['vehicle = "TOY-009"'])
    bench.scan()
    give(bench.store, "b.log", "TOY-009", by=BY, why=WHY)
    bench.scan()
    [(part,)] = bench.ask("SELECT part FROM parts")
    (bench.store.lake.root / part).unlink()
    [mended] = repair(bench.store).mended
    assert (mended.how, mended.lost) == ("rebuilt from its logs", ())
    assert owners(bench) == {"b.log": "TOY-009"}
