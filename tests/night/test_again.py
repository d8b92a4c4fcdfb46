"""A profile or rules that changed are noticed by the next scan: judged again within a budget a night, and told."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.assess import versions
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.night.messages import text
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.night.scan import run_scan
from tests.toy.bench import DATA, NOW, Bench


@pytest.fixture
def corrected(tmp_path: Path) -> Bench:
    """A store with profiles of its own, to be corrected, and one assessed day of a vehicle."""
    bench = Bench(tmp_path, Path(shutil.copytree(DATA, tmp_path / "profiles")))
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    return bench


def edit(bench: Bench, old: str, new: str, name: str = "toy.toml") -> None:
    path = bench.folder / "profiles" / name
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")


def metric(bench: Bench, name: str) -> float:
    return float(bench.ask("SELECT max(value) FROM metrics WHERE name = ?", name)[0][0])


def notes(bench: Bench) -> tuple[str, ...]:
    night = last_night(bench.store)
    assert night is not None
    assert all(note in text(night) for note in night.notes), "the message tells it too"
    return night.notes


def test_a_corrected_unit_is_measured_again_by_the_next_scan(corrected: Bench) -> None:
    right = metric(corrected, "top_speed_kmh")
    edit(
        corrected,
        'vehicle_speed = "Drive.Speed"',
        'vehicle_speed = { signal = "Drive.Speed", scale = 0.5, meant = true }',
    )
    done = corrected.scan()
    assert (done.logs_new, done.vehicles) == (0, 1)
    assert metric(corrected, "top_speed_kmh") == pytest.approx(right / 2, rel=0.02)
    assert notes(corrected) == ("profile toy changed: 1 vehicle was judged by the old one; judged again now",)
    assert corrected.scan().vehicles == 0, "once"
    assert notes(corrected) == ()


def test_another_comment_or_name_of_nothing_is_no_change(corrected: Bench) -> None:
    edit(corrected, "[pack]", "# the pack as of 2026\n[pack]")
    assert corrected.scan().vehicles == 0


def test_another_limit_judges_again_and_measures_nothing(corrected: Bench) -> None:
    before = corrected.ask("SELECT fingerprint FROM stretches ORDER BY 1")
    edit(corrected, "[[bus]]", '[limits]\n"weak_group.look" = 1.5\n\n[[bus]]')
    assert corrected.scan().vehicles == 1
    assert corrected.ask("SELECT fingerprint FROM stretches ORDER BY 1") == before


def test_a_corrected_dbc_file_decodes_the_logs_again(corrected: Bench) -> None:
    right = metric(corrected, "top_speed_kmh")
    dbc = corrected.folder / "profiles" / "toy.dbc"
    line = next(x for x in dbc.read_text("utf-8").splitlines() if x.strip().startswith("SG_ Speed "))
    factor = line[line.index("(") + 1 : line.index(",")]
    edit(corrected, line, line.replace(f"({factor},", f"({float(factor) / 2},"), "toy.dbc")
    done = corrected.scan()
    assert done.logs_new == 0
    assert metric(corrected, "top_speed_kmh") == pytest.approx(right / 2, rel=0.02)
    assert corrected.scan().vehicles == 0


def test_a_log_that_is_gone_keeps_its_old_decoding_and_that_is_told(corrected: Bench) -> None:
    (corrected.inbox / "a.log").unlink()
    dbc = corrected.folder / "profiles" / "toy.dbc"
    dbc.write_text(dbc.read_text("utf-8").replace("(0.01,0)", "(0.02,0)"), "utf-8")
    corrected.scan()
    assert "1 log is no longer where it was and keeps what older DBC files made of it" in notes(corrected)


def test_no_more_than_the_budget_is_judged_again_a_night(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Path(shutil.copytree(DATA, tmp_path / "profiles")))
    for number in (1, 2, 3):
        toy.write(bench.inbox / f"TOY-00{number}" / "a.log", toy.day(serial=number))
    bench.scan()
    edit(bench, "rated_ah = 10.0", "rated_ah = 11.0")
    bench.store = replace(bench.store, settings=replace(bench.store.settings, again_vehicles=2))
    assert bench.scan().vehicles == 2
    (note,) = (note for note in notes(bench) if note.startswith("profile"))  # the changed setting is told too
    assert note == (
        "profile toy changed: 3 vehicles were judged by the old one; "
        "2 judged again now, 1 waits for the next nights ([judge] again_vehicles)"
    )
    assert bench.scan().vehicles == 1
    assert bench.scan().vehicles == 0


def test_other_rules_judge_again(corrected: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    rules = all_rules()
    raised = {**rules, "weak_group": replace(rules["weak_group"], version=rules["weak_group"].version + 1)}
    monkeypatch.setattr(versions, "all_rules", lambda: raised)
    versions.rule_set_version.cache_clear()
    try:
        done = run_scan(corrected.inbox, corrected.store, jobs=0, now=NOW)
        assert done.vehicles == 1
        assert notes(corrected) == ("the rules changed: 1 vehicle was judged by older ones; judged again now",)
        assert run_scan(corrected.inbox, corrected.store, jobs=0, now=NOW).vehicles == 0
    finally:
        versions.rule_set_version.cache_clear()


def test_what_is_unusual_in_a_profile_is_told_when_it_is_first_used_and_when_it_changed(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Path(shutil.copytree(DATA, tmp_path / "profiles")))
    edit(bench, "rated_ah = 10.0", "rated_ah = 10.0\ncharger_a = 90.0")
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    said = "profile toy, line 11: the charger gives 9 times the rated charge an hour"
    assert any(note.startswith(said) for note in notes(bench))
    bench.scan()
    assert notes(bench) == ()
    edit(bench, "charger_a = 90.0", "charger_a = 80.0")
    bench.scan()
    assert any("the charger gives 8 times the rated charge an hour" in note for note in notes(bench))


def test_logs_that_a_wrong_profile_refused_come_in_once_it_is_corrected(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Path(shutil.copytree(DATA, tmp_path / "profiles")))
    edit(bench, "TOY-\\\\d{3})", "TYO-\\\\d{3})")
    toy.write(bench.inbox / "TOY-007" / "a.log", toy.day(serial=0))
    bench.scan()
    assert "of toy.toml finds no vehicle in" in bench.reasons()["a.log"]
    assert bench.scan().logs_new == 0
    edit(bench, "TYO-\\\\d{3})", "TOY-\\\\d{3})")
    done = bench.scan()
    assert (done.logs_new, bench.reasons()) == (1, {})
    said = "profiles or patterns changed: 1 log that was refused is tried again"
    assert said in notes(bench)
    assert bench.scan().logs_new == 0
