"""Scores over the scans: entered when they changed, and only then. Expected rows follow from the definition."""

from __future__ import annotations

import tests.toy.logs as toy
from herdbook.pipeline.assess.rows import SCORE, ScoreRow, table
from herdbook.pipeline.assess.score_log import note_scores
from herdbook.pipeline.store.connection import transaction
from tests.night.tables import catalogue
from tests.toy.bench import Bench


def cells(vehicle: str, score: float | None) -> ScoreRow:
    return ScoreRow(vehicle, "cells", score, rules_judged=9, rules_total=9, reason="", rule_set="")


def test_only_changes_are_entered() -> None:
    con = catalogue()
    given = [("s1", 100.0), ("s2", 100.0), ("s3", 99.6), ("s4", 99.2), ("s5", None), ("s6", None), ("s7", 80.0)]
    for scan, score in given:
        note_scores(con, scan, ["a"], table([cells("a", score)], SCORE))
    assert con.execute("SELECT scan, score FROM score_log ORDER BY rowid").fetchall() == [
        ("s1", 100.0),
        ("s4", 99.2),
        ("s5", None),
        ("s7", 80.0),
    ]


def test_what_was_never_assessed_leaves_no_row_and_vehicles_are_kept_apart() -> None:
    con = catalogue()
    note_scores(
        con,
        "s1",
        ["a", "b"],
        table([cells("a", None), cells("b", 50.0)], SCORE),
    )
    note_scores(con, "s2", ["a"], table([cells("a", 50.0)], SCORE))
    assert con.execute("SELECT scan, vehicle FROM score_log").fetchall() == [("s1", "b"), ("s2", "a")]


def test_a_scan_enters_every_score_it_gave(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    assert bench.ask("SELECT subsystem, score FROM score_log ORDER BY 1") == bench.ask(
        "SELECT subsystem, score FROM scores WHERE score IS NOT NULL ORDER BY 1"
    )
    bench.scan()
    assert bench.ask("SELECT count(DISTINCT scan) FROM score_log") == [(1,)]


def test_a_scan_notes_where_its_time_went(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.day())
    done = bench.scan()
    with transaction(bench.store.catalogue) as con:
        noted = dict(con.execute("SELECT step, seconds FROM scan_steps WHERE scan = ?", [done.scan]).fetchall())
    assert noted == done.seconds
    assert {step for (step,) in bench.ask("SELECT step FROM scan_steps")} == {"take", "assess"}  # published before
