"""What scripts read: the fields that `--help` states are those that come out, and mutes show on the terminal."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import tests.toy.logs as toy
from herdbook.pipeline.cli import build
from herdbook.pipeline.night import mutes
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.night.tables import insert
from tests.toy.bench import Bench


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """A scanned toy vehicle with one finding written beside, muted for a week."""
    bench = Bench(tmp_path_factory.mktemp("bench"))
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    with transaction(bench.store.catalogue) as con:
        insert(
            con,
            "findings",
            finding="x",
            vehicle="TOY-007",
            rule="weak_group",
            item="cell 2",
            severity="service",
            statement="Group 2 is weak.",
            title="A weak group",
        )
    publish(bench.store)
    mutes.mute(bench.store, "TOY-007", "weak_group", date.today() + timedelta(days=7), "night desk", "part ordered")
    return bench.store


def said(store: Store, *args: str) -> str:
    runner = CliRunner(env={"COLUMNS": "160"})  # a narrow table breaks sentences between its cells
    result = runner.invoke(build(), [*args, "--store", str(store.folder)])
    assert result.exit_code == 0, result.output
    return result.output


def stated(verb: str) -> str:
    return " ".join(CliRunner().invoke(build(), [verb, "--help"]).output.split())


def test_the_fields_of_fleet_are_those_its_help_states(store: Store) -> None:
    told: dict[str, Any] = json.loads(said(store, "fleet", "--night", "--json"))
    words = stated("fleet")
    names = {*told, *told["vehicles"][0], *told["findings"][0], *told["night"]}
    assert not [name for name in names if name not in words]
    muted = {f["rule"]: f["muted"] for f in told["findings"]}
    assert muted.pop("weak_group").startswith("by night desk until ")
    assert set(muted.values()) <= {None}
    with store.read() as con:
        [(age,)] = con.execute(
            "SELECT epoch((SELECT max(started_t) FROM scans) - max(end_t)) / 86400 FROM logs WHERE vehicle = ?",
            [told["vehicles"][0]["vehicle"]],
        ).fetchall()
    assert told["vehicles"][0]["age_days"] == pytest.approx(age)  # on the day of the scan
    assert age > 0
    assert told["night"]["muted"][0]["why"] == "part ordered"


def test_the_fields_of_mute_are_those_its_help_states(store: Store) -> None:
    (told,) = json.loads(said(store, "mute", "--json"))
    words = stated("mute")
    assert not [name for name in told if name not in words]


def test_a_muted_finding_is_marked_on_the_terminal(store: Store) -> None:
    shown = " ".join(said(store, "fleet").split())
    assert "Muted by night desk" in shown
    assert "part ordered" in " ".join(said(store, "mute").split())


def test_what_the_night_needs_is_shown_on_the_terminal(store: Store) -> None:
    shown = " ".join(said(store, "fleet", "--night").split())
    for words in ("One cause or many", "Drift", "Parked and charging", "The last runs", "Room:", "Fingerprint"):
        assert words in shown


def test_a_wrong_mute_is_a_line(store: Store, tmp_path: Path) -> None:
    for args, words in (
        (("TOY-007",), "which finding"),
        (("TOY-007", "weak_group", "--until", "soon", "--by", "x", "--why", "y"), "is no day"),
        (("TOY-007", "no_rule", "--until", "2099-01-01", "--by", "x", "--why", "y"), "more than 92 days"),
        (("TOY-008", "weak_group", "--until", str(date.today()), "--by", "x", "--why", "y"), "no finding of the rule"),
    ):
        result = CliRunner().invoke(build(), ["mute", *args, "--store", str(store.folder)])
        assert words in str(result.exception), args
