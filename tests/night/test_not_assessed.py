"""A vehicle that could not be assessed is named wherever people look, and has an exit code of its own."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.pipeline.cli import build
from herdbook.pipeline.night.changes import NOTHING, UNASSESSED
from herdbook.pipeline.night.messages import text
from herdbook.pipeline.night.read_changes import last_night
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.reports.fleet.site import write_fleet
from tests.toy.bench import NOW, Bench


@pytest.fixture
def stuck(bench: Bench) -> Bench:
    """A store whose TOY-001 cannot be assessed: its part is damaged, and a new log touches it."""
    toy.write(bench.inbox / "1.log", toy.stretch(toy.T0, 20, serial=1))
    toy.write(bench.inbox / "2.log", toy.stretch(toy.T0, 20, serial=2))
    bench.scan()
    part = bench.ask("SELECT part FROM logs WHERE name = '1.log'")[0][0]
    os.truncate(bench.store.lake.root / part, 100)
    toy.write(bench.inbox / "3.log", toy.stretch(toy.T0 + 30_000_000, 20, serial=1))
    return bench


def test_the_list_the_message_and_the_page_name_it(stuck: Bench, tmp_path: Path) -> None:
    run_scan(stuck.inbox, stuck.store, jobs=0, now=NOW)
    changes = last_night(stuck.store)
    assert changes is not None
    ((vehicle, why),) = changes.not_assessed
    assert vehicle == "TOY-001"
    assert "store check --repair" in why
    assert "1 vehicle not assessed" in changes.headline()
    said = changes.as_dict()["not_assessed"]
    assert said == [{"vehicle": vehicle, "reason": why}]
    assert (
        f"NOT ASSESSED\nNobody knows what stands against these vehicles; the next scan tries again.\n- {vehicle}"
        in (text(changes))
    )
    page = (write_fleet(stuck.store, tmp_path / "pages").parent / "night.html").read_text("utf-8")
    assert "TOY-001</a> could not be assessed:" in page


def test_the_exit_code_is_its_own_and_news_wins(stuck: Bench) -> None:
    run_scan(stuck.inbox, stuck.store, jobs=0, now=NOW)
    changes = last_night(stuck.store)
    assert changes is not None
    quiet = replace(changes, changes=())
    assert quiet.exit_code == UNASSESSED == 40
    assert replace(quiet, quarantined=(("x", "y"),)).exit_code == UNASSESSED
    assert replace(quiet, fleet_quiet="No vehicle ...", quiet_calls=True).exit_code == 10
    assert replace(quiet, not_assessed=()).exit_code == NOTHING


def test_the_command_says_who_and_leaves_with_that_code(stuck: Bench) -> None:
    said = CliRunner().invoke(
        build(), ["scan", str(stuck.inbox), "--store", str(stuck.store.folder), "--jobs", "1"], env={"COLUMNS": "200"}
    )
    assert said.exit_code == UNASSESSED, said.output
    assert "Could not be assessed" in said.output
    assert "TOY-001" in said.output
    assert "40 vehicles not assessed" in CliRunner().invoke(build(), ["--help"]).output.replace("\n", " ")


def test_it_is_named_again_every_night_until_it_can_be_assessed(stuck: Bench) -> None:
    from herdbook.pipeline.upkeep.repair import repair

    for _ in range(2):
        run_scan(stuck.inbox, stuck.store, jobs=0, now=NOW)
        changes = last_night(stuck.store)
        assert changes is not None
        assert [v for v, _ in changes.not_assessed] == ["TOY-001"]
    repair(stuck.store, NOW)
    stuck.scan()
    changes = last_night(stuck.store)
    assert changes is not None
    assert changes.not_assessed == ()
