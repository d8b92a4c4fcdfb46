"""From sessions, metrics and verdicts to rows in the catalogue's columns."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from herdbook.pipeline.assess.rows import FINDING, NOT_ASSESSED, SCORE, MeasuredRows, finding_id, table, verdict_rows
from herdbook.pipeline.assess.sessions import Found
from herdbook.pipeline.assess.versions import rule_set_version
from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.metrics.set import Outcome
from herdbook.pipeline.times import micros
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, SESSIONS, Event, Metric, Session
from tests.night.tables import catalogue

T = micros(datetime(2026, 3, 1, 8, tzinfo=UTC))
WEAK = all_rules()["weak_group"]
RECORD = WEAK.cases().fires_on[0]


def test_what_was_measured_in_the_columns_of_the_record() -> None:
    rows = MeasuredRows("V1")
    outcome = Outcome(
        (Metric("b", 2.0, "V", 0.1, 5, 0.9, "7"), Metric("a", 1.0, "A")),
        (Event("braking", T + 10, T + 20, "left", {"demand_a": 12}),),
    )
    rows.add(Found(Session("V1", "ride", T, T + 60), coverage=0.5), outcome, ("log1", "log2"))
    found = rows.frames()
    at = datetime(2026, 3, 1, 8, tzinfo=UTC)
    assert dict(found.sessions.schema) == SESSIONS
    assert dict(found.metrics.schema) == METRICS
    assert dict(found.events.schema) == EVENTS
    assert found.sessions.rows()[0][:3] == ("V1", "ride", at)
    assert found.sessions["coverage"].to_list() == [0.5]
    assert found.metrics.select("name", "item", "value", "unit", "se", "n", "coverage").rows() == [
        ("a", "", 1.0, "A", None, 0, 1.0),
        ("b", "7", 2.0, "V", 0.1, 5, 0.9),
    ]
    assert found.events["data"].to_list() == [[{"key": "demand_a", "value": 12.0}]]
    assert found.events["start_t"].to_physical().to_list() == [T + 10]
    assert found.logs == {T: ("log1", "log2")}


def test_nothing_measured_has_all_columns_all_the_same() -> None:
    found = MeasuredRows("V1").frames()
    assert [f.height for f in (found.sessions, found.metrics, found.events, found.messages)] == [0, 0, 0, 0]
    assert dict(found.metrics.schema) == METRICS
    assert {"vehicle", "stretch_t", "message"} <= set(found.messages.columns)


def test_a_verdict_as_rows() -> None:
    verdict = judge(RECORD)
    rows = verdict_rows(verdict, RECORD, rule_set_version())
    assert len(rows.findings) == len(verdict.findings) > 0
    row = next(r for r in rows.findings if r.rule == "weak_group")
    said = next(j for j in verdict.findings if j.rule.id == "weak_group")
    assert row.finding == finding_id("example", "weak_group", said.finding.item)
    assert (row.vehicle, row.title, row.severity) == ("example", WEAK.title, said.finding.severity)
    assert (row.first_t, row.last_t) == (
        min(w.start for w in said.finding.windows),
        max(w.end for w in said.finding.windows),
    )
    assert row.share == said.share
    assert [s.subsystem for s in rows.scores] == list(SUBSYSTEMS)
    assert {s.rule_set for s in rows.scores} == {rule_set_version()}
    assert {(r.rule, r.reason) for r in rows.not_assessed} == {(r.rule.id, r.reason) for r in verdict.not_assessed}


@pytest.mark.parametrize(("name", "schema"), [("findings", FINDING), ("not_assessed", NOT_ASSESSED), ("scores", SCORE)])
def test_rows_fit_the_catalogues_tables(name: str, schema: dict[str, pl.DataType | type[pl.DataType]]) -> None:
    """The same columns, and what comes out again is what went in; also when there is nothing to write."""
    con = catalogue()
    kept = [c[0] for c in con.execute(f"SELECT * FROM {name} LIMIT 0").description or ()]
    assert set(schema) == set(kept)
    rows = getattr(verdict_rows(judge(RECORD), RECORD, rule_set_version()), name)
    frame = table(rows, schema)
    assert dict(frame.schema) == schema
    con.register("incoming", frame)
    con.execute(f"INSERT INTO {name} BY NAME SELECT * FROM incoming")
    back = con.execute(f"SELECT count(*), count(DISTINCT vehicle) FROM {name}").fetchall()
    assert back == [(len(rows), 1)]
    assert table((), schema).height == 0


def test_an_items_finding_keeps_its_name() -> None:
    """History is joined by it from night to night: it must never change (SHA-256 of the three, NUL between them)."""
    assert finding_id("a", "b", "c") == "8badde10c760e9b702defb4b5e225de7"
    assert len({finding_id("a", "b", ""), finding_id("a", "", "b"), finding_id("ab", "", "")}) == 3
