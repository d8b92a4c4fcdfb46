"""Commit assessments: sessions, metrics and events where they changed; findings, scores and what changed in them."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.assess.assess import Assessed
from herdbook.pipeline.assess.finding_log import LOGGED, FindingChange, FormerFinding, changes_between
from herdbook.pipeline.assess.rows import FINDING, NOT_ASSESSED, SCORE, table
from herdbook.pipeline.assess.score_log import note_scores
from herdbook.pipeline.health.engine import rule_set_json
from herdbook.pipeline.own.load import own_of
from herdbook.pipeline.store.connection import insert, transaction
from herdbook.pipeline.store.statements import ask, statement
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.record import US

if TYPE_CHECKING:
    import duckdb

OF_A_STRETCH = (  # tables, and the column that says in which stretch a row lies
    ("metrics", "start_t"),
    ("events", "session_start_t"),
    ("sessions", "start_t"),
    ("stretch_messages", "stretch_t"),
)


def commit_assessed(store: Store, done: Sequence[Assessed], scan: str = "") -> list[FindingChange]:
    """Write assessments, whole or not at all. Returns what changed; with a scan it is kept in finding_log too.

    Raises: BusyError, StoreError.
    """
    if not done:
        return []
    with transaction(store.catalogue) as con:
        for rule_set in {a.rule_set for a in done}:
            _note_rule_set(con, rule_set, store)
        _replace_measured(con, done)
        changes = _replace_verdicts(con, done)
        if scan:
            note_scores(con, scan, [a.vehicle for a in done], [s for a in done for s in a.verdict.scores])
            insert(con, "finding_log", table(changes, LOGGED).select(pl.lit(scan).alias("scan"), pl.all()))
        for a in done:
            if a.profile:
                said = [a.vehicle, a.profile, a.profile_means, a.rule_set]
                con.execute("INSERT OR REPLACE INTO judged VALUES (?, ?, ?, ?)", said)
            else:  # no log is its own any more
                con.execute("DELETE FROM judged WHERE vehicle = ?", [a.vehicle])
            con.execute("DELETE FROM touched WHERE vehicle = ? AND ticket = ?", [a.vehicle, a.ticket])
    return changes


def _note_rule_set(con: duckdb.DuckDBPyConnection, rule_set: str, store: Store) -> None:
    if con.execute("SELECT 1 FROM rule_sets WHERE rule_set = ?", [rule_set]).fetchall():
        return
    try:
        number = version("herdbook")
    except PackageNotFoundError:
        number = "not installed"
    said = {"rule_set": rule_set, "rules": rule_set_json(own_of(store).judging_rules().values()), "version": number}
    con.execute(statement(__name__, "add_rule_set"), said)


def _replace_measured(con: duckdb.DuckDBPyConnection, done: Sequence[Assessed]) -> None:
    """Sessions, metrics, events and messages of stretches that changed, and the stretches themselves."""
    _remove(con, [(a.vehicle, s, e) for a in done for s, e in {*a.gone, *((s, e) for s, e, _ in a.stretches)}])
    news = [(a.vehicle, *s) for a in done for s in a.stretches]
    names = {"vehicle": pl.String, "start_t": pl.Int64, "end_t": pl.Int64, "fingerprint": pl.String}
    found = pl.DataFrame(news, schema=names, orient="row")
    insert(con, "stretches", found.with_columns(pl.col("start_t", "end_t").cast(US)))
    for a in done:
        if a.measured.sessions.height:
            logs = [list(a.measured.logs[t]) for t in a.measured.sessions["start_t"].to_physical().to_list()]
            rows = a.measured.sessions.with_columns(logs=pl.Series(logs, dtype=pl.List(pl.String)))
            insert(con, "sessions", _naive(rows.with_columns(rule_set=pl.lit(a.rule_set))))
    insert(con, "stretch_messages", _of_all(done, [a.measured.messages for a in done]))
    insert(con, "metrics", _of_all(done, [a.measured.metrics for a in done]).drop("kind", "end_t", strict=False))
    events = _of_all(done, [a.measured.events for a in done])
    if events.height:
        con.register("incoming_events", events)
        con.execute(statement(__name__, "add_events"))
        con.unregister("incoming_events")


def _remove(con: duckdb.DuckDBPyConnection, spans: list[tuple[str, int, int]]) -> None:
    """What is known of stretches that touch the spans: (vehicle, start, end), microseconds UTC."""
    names = {"vehicle": pl.String, "a": pl.Int64, "b": pl.Int64}
    asked = pl.DataFrame(spans, schema=names, orient="row").with_columns(pl.col("a", "b").cast(US))
    con.register("asked_spans", asked)
    con.execute(statement(__name__, "stretches_gone"))
    con.unregister("asked_spans")
    first, last = con.execute("SELECT min(a), max(b) FROM gone").fetchall()[0]
    if first is None:
        return
    for name, column in OF_A_STRETCH:
        remove = statement(__name__, "remove_of_stretches").format(table=name, column=column)
        con.execute(remove, {"first": first, "last": last})
    con.execute(statement(__name__, "remove_stretches"))


def _of_all(done: Sequence[Assessed], frames: Sequence[pl.DataFrame]) -> pl.DataFrame:
    return _naive(pl.concat(f.with_columns(vehicle=pl.lit(a.vehicle)) for a, f in zip(done, frames, strict=True)))


def _naive(frame: pl.DataFrame) -> pl.DataFrame:
    """UTC times as the catalogue keeps them, without a zone."""
    times = [n for n, t in frame.schema.items() if isinstance(t, pl.Datetime)]
    return frame.with_columns(pl.col(n).dt.replace_time_zone(None) for n in times)


def _replace_verdicts(con: duckdb.DuckDBPyConnection, done: Sequence[Assessed]) -> list[FindingChange]:
    """Findings, refusals and scores of these vehicles take the place of the old ones."""
    vehicles = [a.vehicle for a in done]
    old = [FormerFinding(**row) for row in ask(con, __name__, "standing", vehicles=vehicles)]
    findings = [f for a in done for f in a.verdict.findings]
    refused = [r for a in done for r in a.verdict.not_assessed]
    for name, rows in (
        ("findings", table(findings, FINDING)),
        ("not_assessed", table(refused, NOT_ASSESSED)),
        ("scores", table([s for a in done for s in a.verdict.scores], SCORE)),
    ):
        con.execute(f"DELETE FROM {name} WHERE vehicle IN (SELECT unnest(?))", [vehicles])
        insert(con, name, rows)
    return changes_between(old, findings, {(r.vehicle, r.rule): r.reason for r in refused})
