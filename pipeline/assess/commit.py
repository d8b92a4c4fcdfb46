"""Commit assessments: sessions, metrics and events where they changed; findings, scores and what changed in them.

A commit appends whole tables of many vehicles (group.py): its cost is that of some twenty statements and hardly grows
with the number of vehicles.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.assess.assess import Assessed
from herdbook.pipeline.assess.finding_log import LOGGED, FindingChange, FormerFinding, changes_between
from herdbook.pipeline.assess.group import AssessedGroup, together
from herdbook.pipeline.assess.rows import table
from herdbook.pipeline.assess.score_log import note_scores
from herdbook.pipeline.health.engine import rule_set_json
from herdbook.pipeline.own.load import own_of
from herdbook.pipeline.store.connection import insert, registered, transaction
from herdbook.pipeline.store.ledger_files import put, unfiled_of_spans
from herdbook.pipeline.store.record_writing import enter_files
from herdbook.pipeline.store.statements import ask, statement
from herdbook.pipeline.store.store import Store

if TYPE_CHECKING:
    import duckdb

OF_A_STRETCH = (  # tables, and the column that says in which stretch a row lies
    ("metrics", "start_t"),
    ("events", "session_start_t"),
    ("sessions", "start_t"),
    ("stretch_messages", "stretch_t"),
)
APPENDED = ("stretches", "sessions", "stretch_messages", "metrics")
REPLACED = ("findings", "not_assessed", "scores")


def commit_assessed(store: Store, done: Sequence[Assessed], scan: str = "") -> list[FindingChange]:
    """Write assessments, whole or not at all. Returns what changed; with a scan it is kept in finding_log too.

    Raises: BusyError, StoreError.
    """
    return commit_groups(store, [together(done)], scan) if done else []


def commit_groups(store: Store, groups: Sequence[AssessedGroup], scan: str = "") -> list[FindingChange]:
    """The same for vehicles that were put together where they were assessed."""
    if not groups:
        return []
    rows = {name: pl.concat(g.rows[name] for g in groups) for name in (*APPENDED, "events", *REPLACED)}
    judged = pl.concat(g.judged for g in groups)
    with transaction(store.catalogue) as con:
        for rule_set in sorted(set(judged["rule_set"].to_list())):
            _note_rule_set(con, rule_set, store)
        _remove(con, pl.concat(g.gone for g in groups), max(g.removal for g in groups))
        enter_files(con, store.folder, [f for g in groups for f in g.files])
        put(con, {name: rows[name] for name in APPENDED})
        if rows["events"].height:
            with registered(con, "incoming_events", rows["events"]):
                con.execute(statement(__name__, "add_events"))
        with registered(con, "incoming_judged", judged):
            changes = _replace_verdicts(con, groups, rows)
            if scan:
                note_scores(con, scan, judged["vehicle"].to_list(), rows["scores"])
                insert(con, "finding_log", table(changes, LOGGED).select(pl.lit(scan).alias("scan"), pl.all()))
            for said in ("enter_judged", "forget_judged", "answer_tickets"):
                con.execute(statement(__name__, said))
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


def _remove(con: duckdb.DuckDBPyConnection, asked: pl.DataFrame, number: int) -> None:
    """What is known of stretches that touch the spans: vehicle, a, b. number: rows in files of smaller numbers are not
    read any more; 0: in all files that there are."""
    if not asked.height:
        return
    with registered(con, "asked_spans", asked):
        con.execute(statement(__name__, "stretches_gone"))
    first, last = con.execute("SELECT min(a), max(b) FROM gone").fetchall()[0]
    if first is None:
        return
    for name, column in OF_A_STRETCH:
        remove = statement(__name__, "remove_of_stretches").format(table=name, column=column)
        con.execute(remove, {"first": first, "last": last})
    for name, column in unfiled_of_spans(con):
        remove = statement(__name__, "remove_of_stretches").format(table=name, column=column)
        con.execute(remove, {"first": first, "last": last})
    con.execute(statement(__name__, "remove_from_files"), {"number": number or None})
    con.execute(statement(__name__, "remove_stretches"))


def _replace_verdicts(
    con: duckdb.DuckDBPyConnection, groups: Sequence[AssessedGroup], rows: dict[str, pl.DataFrame]
) -> list[FindingChange]:
    """Findings, refusals and scores of the vehicles in incoming_judged take the place of the old ones."""
    old = [FormerFinding(**row) for row in ask(con, __name__, "standing")]
    for name in REPLACED:
        con.execute(f"DELETE FROM {name} WHERE vehicle IN (SELECT vehicle FROM incoming_judged)")
        insert(con, name, rows[name])
    mine = rows["not_assessed"].filter(pl.col("vehicle").is_in(list({f.vehicle for f in old}))) if old else None
    refused = {(v, rule): reason for v, rule, _, reason in mine.rows()} if mine is not None else {}
    return changes_between(old, [f for g in groups for f in g.findings], refused)
