"""One number, one value: what stands in two products is the same number in both, to the last digit shown."""

from __future__ import annotations

import csv
import html
import io
import json
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from herdbook.pipeline.cli import build
from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.lake.place import MARK
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.reports import write_dossier, write_fleet, write_history
from herdbook.pipeline.reports.dossier.data import dossier_data
from herdbook.pipeline.reports.facts import Facts, one_vehicle
from herdbook.pipeline.reports.history.lines.extremes import EXTREMES
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.store import Store

VEHICLE = "VX-014"


def words_of(page: str) -> str:
    bare = re.sub(r"<script.*?</script>|<style.*?</style>|<svg.*?</svg>", " ", page, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", bare).split())


@pytest.fixture(scope="module")
def said(store: Store, tmp_path_factory: pytest.TempPathFactory, made_up_lake: None) -> dict[str, str]:
    """The words of each product on one vehicle; tables and marks taken off."""
    folder = tmp_path_factory.mktemp("agree")
    site = write_fleet(store, folder / "site").parent
    files = {
        "dossier": write_dossier(store, VEHICLE, folder / "d"),
        "vehicle page": site / "vehicles" / f"{VEHICLE}.html",
        "history": write_history(store, VEHICLE, folder / "h.html"),
        "history csv": write_history(store, VEHICLE, folder / "h.csv", fmt="csv"),
    }
    return {name: words_of(path.read_text("utf-8")) for name, path in files.items()}


@pytest.fixture(scope="module")
def register(store: Store, tmp_path_factory: pytest.TempPathFactory, made_up_lake: None) -> dict[str, Any]:
    """VEHICLE's row of the fleet page's register, with the page's words."""
    text = write_fleet(store, tmp_path_factory.mktemp("fleet")).read_text("utf-8")
    found = re.search(r'id="data">(.*?)</script>', text, re.DOTALL)
    assert found is not None
    data = json.loads(found[1])
    at = data["n"].index(VEHICLE)
    row = {key: data[key][at] for key in "dsu"} | {"m": [scores[at] for scores in data["m"]]}
    return row | {"words": words_of(text)}


@pytest.fixture(scope="module")
def terminal(store: Store, made_up_lake: None) -> dict[str, Any]:
    """What the command line says of the herd: as JSON, and as it is read on a wide screen."""
    lake = store.folder / "lake"  # made-up stores have none, and the command line asks for its mark
    lake.mkdir(exist_ok=True)
    (lake / MARK).write_text("made up", "ascii")
    asked = {"HERDBOOK_STORE": str(store.folder), "COLUMNS": "400", "NO_COLOR": "1"}
    run = CliRunner()
    shown, as_json = (run.invoke(build(), ["fleet", "--notes", *more], env=asked) for more in ((), ("--json",)))
    assert (shown.exception, as_json.exception) == (None, None)
    return {"words": " ".join(shown.output.split()), "json": json.loads(as_json.stdout)}


@pytest.fixture(scope="module")
def facts(store: Store) -> Facts:
    with store.read() as con:
        return one_vehicle(con, VEHICLE, store.settings.zone)


def test_what_was_measured_is_the_same_everywhere(said: dict[str, str], facts: Facts) -> None:
    missing = []
    for f in facts.findings:
        measured = " ".join(numbers.amount(f["measured"], f["unit"], f["se"]).split())
        limit = " ".join(numbers.amount(f["limit"], f["unit"]).split())
        count = numbers.plural(f["count"], "time")
        for name, words in said.items():
            missing += [(name, f["rule"], what) for what in (measured, limit, count) if what not in words]
    assert missing == []


def test_first_and_last_evidence_are_the_same_days_everywhere(said: dict[str, str], facts: Facts) -> None:
    days = {numbers.day(f[end], facts.zone) for f in facts.findings for end in ("first_t", "last_t")}
    assert {(name, day) for name, words in said.items() for day in days if day not in words} == set()


def test_scores_are_the_same_in_dossier_vehicle_page_data_and_store(
    said: dict[str, str], facts: Facts, store: Store
) -> None:
    given = {m["subsystem"]: m["score"] for m in dossier_data(store, VEHICLE)["scores"]}
    held = {s["subsystem"]: s["score"] for s in facts.scores}
    assert given == held
    for name in ("dossier", "vehicle page"):
        table = said[name].split("0 to 100 Made of Basis")[1]
        for subsystem, score in held.items():
            shown = "not assessed" if score is None else f"{score:.0f}"
            assert re.search(rf"\b{subsystem} {shown} ", table), (name, subsystem)


def test_numbers_of_the_history_are_those_of_its_data_forms(store: Store, tmp_path: Path) -> None:
    made: dict[str, Any] = json.loads(write_history(store, VEHICLE, tmp_path / "h.json", fmt="json").read_text("utf-8"))
    text = write_history(store, VEHICLE, tmp_path / "h.csv", fmt="csv").read_text("utf-8")
    rows = [r for r in csv.DictReader(io.StringIO(text, newline="")) if r["record"] == "line"]
    keys = ("value", "standard_error", "coverage")
    assert [[line[k] for k in keys] for line in made["lines"]] == [
        [float(row[k]) if row[k] else None for k in keys] for row in rows
    ]
    assert [line["no"] for line in made["lines"] if line["section"] != "short"] == list(
        range(1, 1 + sum(line["section"] != "short" for line in made["lines"]))
    )


def test_an_extreme_says_what_stands_for_a_reading_as_its_metric_defines_it() -> None:
    """Filtered and raw extremes differ; the page names which it is, in the words of the one definition."""
    gives = {name: meaning for of in all_sets().values() for name, (_, meaning) in of.gives.items()}
    assert {e.metric for e in EXTREMES if e.how not in gives[e.metric]} == set()


def test_the_highest_readings_are_the_same_in_dossier_and_history(said: dict[str, str], facts: Facts) -> None:
    """Hottest cells and windings: the figure of the dossier's heat leaf is that of the history's line."""
    for metric in ("cell_temp_max_c", "motor_temp_max_c"):
        top = numbers.number(float(facts.metrics.filter(facts.metrics["name"] == metric)["value"].to_numpy().max()))
        found = re.search(rf"(?:cell|winding) temperature on record \(mean over ten seconds\): {top}", said["history"])
        assert found, metric
        assert f" {top} 2026-" in said["dossier"], metric


def test_sessions_are_counted_once(said: dict[str, str], facts: Facts) -> None:
    every = numbers.plural(len(facts.sessions), "session") + " on record"
    assert every in said["dossier"]
    assert every in said["vehicle page"]
    for kind in ("ride", "charge"):
        count = sum(s["kind"] == kind for s in facts.sessions)
        assert f"{numbers.plural(count, kind)} on record" in said["history"]


def test_the_register_counts_scores_and_dates_as_the_dossier_does(register: dict[str, Any], facts: Facts) -> None:
    counts = [len(facts.graves(severity)) for severity in ("stop-use", "service", "note")]
    held = {s["subsystem"]: s["score"] for s in facts.scores}
    assert register["s"] == counts
    assert register["m"] == [None if held.get(name) is None else round(held[name]) for name in SUBSYSTEMS]
    assert register["u"] == len(facts.sessions)
    assert date.fromordinal(719163 + register["d"]) == facts.about["last_t"].date()


def test_what_must_not_be_used_is_told_in_the_same_words_on_fleet_page_and_terminal(
    register: dict[str, Any], terminal: dict[str, Any], facts: Facts
) -> None:
    grave = facts.graves("stop-use")
    assert grave
    for f in grave:
        statement = " ".join(f["statement"].split())
        assert statement in html.unescape(register["words"])
        assert statement in terminal["words"]


def test_the_terminal_says_the_same_numbers_as_the_store(terminal: dict[str, Any], facts: Facts) -> None:
    [row] = [v for v in terminal["json"]["vehicles"] if v["vehicle"] == VEHICLE]
    held = {s["subsystem"]: s["score"] for s in facts.scores}
    assert [row[severity] for severity in ("stop_use", "service", "note")] == [
        len(facts.graves(severity)) for severity in ("stop-use", "service", "note")
    ]
    assert {name: row[name] for name in held} == held
    told = {(f["rule"], f["item"]): f for f in terminal["json"]["findings"] if f["vehicle"] == VEHICLE}
    for f in facts.findings:
        assert told[f["rule"], f["item"]]["statement"] == f["statement"]
