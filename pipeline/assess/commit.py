"""Commit assessments: sessions, metrics and events where they changed; findings, scores and what changed in them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from herdbook.pipeline.assess.assess import Assessed
from herdbook.pipeline.assess.score_log import note_scores
from herdbook.pipeline.health.severity import rank
from herdbook.pipeline.store.connection import insert, transaction
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.record import US

if TYPE_CHECKING:
    import duckdb

OF_A_STRETCH = (
    ("metrics", "start_t"),
    ("events", "session_start_t"),
    ("sessions", "start_t"),
    ("stretch_messages", "stretch_t"),
)
KEPT = ("limit", "se", "count", "duration_s", "first_t", "last_t", "not_separable")  # told with a change, for later
TOLD: dict[str, pl.DataType | type[pl.DataType]] = {
    "severity_before": pl.String,
    "measured": pl.Float64,
    "unit": pl.String,
    "limit": pl.Float64,
    "se": pl.Float64,
    "count": pl.Int64,
    "duration_s": pl.Float64,
    "first_t": US,
    "last_t": US,
    "not_separable": pl.String,
}
NOTABLE = 0.02  # change of a finding's share of its subsystem that is worth telling; engineering choice
FINDING: dict[str, pl.DataType | type[pl.DataType]] = {
    "se": pl.Float64,
    "windows": pl.List(pl.Struct({"start_t": US, "end_t": US})),
    "first_t": US,
    "last_t": US,
    "signals": pl.List(pl.String),
    "causes": pl.List(pl.String),
    "bench": pl.List(pl.String),
    "cautions": pl.List(pl.String),
    "measured": pl.Float64,
    "limit": pl.Float64,
    "share": pl.Float64,
    "confidence": pl.Float64,
    "persistence": pl.Float64,
    "duration_s": pl.Float64,
}


def commit_assessed(store: Store, done: Sequence[Assessed], scan: str = "") -> list[dict[str, Any]]:
    """Write assessments, whole or not at all. Returns the rows of finding_log; with a scan they are kept there too."""
    changes: list[dict[str, Any]] = []
    if not done:
        return changes
    with transaction(store.catalogue) as con:
        for rule_set in {a.rule_set for a in done}:
            _note_rule_set(con, rule_set)
        _sessions(con, done)
        changes = _findings(con, done)
        if scan:
            note_scores(con, scan, [a.vehicle for a in done], [s for a in done for s in a.verdict.scores])
        if scan and changes:
            rows = pl.DataFrame([{"scan": scan, **c} for c in changes], infer_schema_length=None)
            insert(con, "finding_log", rows.cast(TOLD))  # type: ignore[arg-type]
        for a in done:
            con.execute("DELETE FROM touched WHERE vehicle = ? AND ticket = ?", [a.vehicle, a.ticket])
    return changes


def _note_rule_set(con: duckdb.DuckDBPyConnection, rule_set: str) -> None:
    from herdbook.pipeline.health.engine import rule_set_json

    if con.execute("SELECT 1 FROM rule_sets WHERE rule_set = ?", [rule_set]).fetchall():
        return
    from importlib.metadata import PackageNotFoundError, version

    try:
        number = version("herdbook")
    except PackageNotFoundError:
        number = "not installed"
    con.execute("INSERT INTO rule_sets VALUES (?, now() AT TIME ZONE 'UTC', ?, ?)", [rule_set, rule_set_json(), number])


def _sessions(con: duckdb.DuckDBPyConnection, done: Sequence[Assessed]) -> None:
    _remove(con, [(a.vehicle, s, e) for a in done for s, e in {*a.gone, *((s, e) for s, e, _ in a.stretches)}])
    news = [(a.vehicle, *s) for a in done for s in a.stretches]
    names = {"vehicle": pl.String, "start_t": pl.Int64, "end_t": pl.Int64, "fingerprint": pl.String}
    insert(
        con,
        "stretches",
        pl.DataFrame(news, schema=names, orient="row").with_columns(pl.col("start_t", "end_t").cast(US)),
    )
    for a in done:
        if a.sessions.height:
            logs = [list(a.logs[t]) for t in a.sessions["start_t"].to_physical().to_list()]
            rows = a.sessions.with_columns(pl.Series("logs", logs, pl.List(pl.String)), rule_set=pl.lit(a.rule_set))
            insert(con, "sessions", _naive(rows))
    insert(con, "stretch_messages", _all(done, "messages"))
    insert(con, "metrics", _all(done, "metrics").drop("kind", "end_t", strict=False))
    events = _all(done, "events")
    if events.height:
        con.register("incoming_events", events)
        con.execute("""INSERT INTO events BY NAME
                       SELECT * REPLACE (map_from_entries(data) AS data) FROM incoming_events""")
        con.unregister("incoming_events")


def _remove(con: duckdb.DuckDBPyConnection, gone: list[tuple[str, int, int]]) -> None:
    """What is known of stretches. Rows lie in the order of nights: the bounds in time spare a look at older ones."""
    names = {"vehicle": pl.String, "a": pl.Int64, "b": pl.Int64}
    con.register("asked", pl.DataFrame(gone, schema=names, orient="row").with_columns(pl.col("a", "b").cast(US)))
    con.execute("""CREATE OR REPLACE TEMP TABLE gone AS SELECT DISTINCT q.* FROM asked q JOIN stretches s
                   ON s.vehicle = q.vehicle AND s.start_t < q.b AND s.end_t > q.a""")
    con.unregister("asked")
    first, last = con.execute("SELECT min(a), max(b) FROM gone").fetchall()[0]
    if first is None:
        return
    for table, column in OF_A_STRETCH:
        con.execute(
            f"""DELETE FROM {table} USING gone g WHERE {table}.vehicle = g.vehicle
                AND {table}.{column} >= g.a AND {table}.{column} < g.b
                AND {table}.{column} >= ? AND {table}.{column} < ?""",
            [first, last],
        )
    con.execute(
        "DELETE FROM stretches USING gone g WHERE stretches.vehicle = g.vehicle AND start_t = g.a AND end_t = g.b"
    )


def _all(done: Sequence[Assessed], table: str) -> pl.DataFrame:
    frames = [getattr(a, table).with_columns(vehicle=pl.lit(a.vehicle)) for a in done]
    return _naive(pl.concat(frames))


def _naive(frame: pl.DataFrame) -> pl.DataFrame:
    """UTC times as the catalogue keeps them, without a zone."""
    times = [n for n, t in frame.schema.items() if isinstance(t, pl.Datetime)]
    return frame.with_columns(pl.col(n).dt.replace_time_zone(None) for n in times)


def _findings(con: duckdb.DuckDBPyConnection, done: Sequence[Assessed]) -> list[dict[str, Any]]:
    vehicles = [a.vehicle for a in done]
    names = ("vehicle", "rule", "item", "severity", "measured", "unit", "statement", "share")
    old = [
        dict(zip(names, row, strict=True))
        for row in con.execute(
            f"SELECT {', '.join(names)} FROM findings WHERE vehicle IN (SELECT unnest(?))", [vehicles]
        ).fetchall()
    ]
    for table in ("findings", "not_assessed", "scores"):
        con.execute(f"DELETE FROM {table} WHERE vehicle IN (SELECT unnest(?))", [vehicles])
    new = [f for a in done for f in a.verdict.findings]
    if new:
        insert(con, "findings", pl.DataFrame(new, schema_overrides=FINDING_RAW, infer_schema_length=None).cast(FINDING))  # type: ignore[arg-type]
    refused = [r for a in done for r in a.verdict.not_assessed]
    for table, rows in (("not_assessed", refused), ("scores", [r for a in done for r in a.verdict.scores])):
        if rows:
            over = {"score": pl.Float64} if table == "scores" else None
            insert(con, table, pl.DataFrame(rows, schema_overrides=over, infer_schema_length=None))
    return list(changes_between(old, new, {(r["vehicle"], r["rule"]): r["reason"] for r in refused}))


FINDING_RAW: dict[str, pl.DataType | type[pl.DataType]] = {
    **FINDING,
    "first_t": pl.Int64,
    "last_t": pl.Int64,
    "windows": pl.List(pl.Struct({"start_t": pl.Int64, "end_t": pl.Int64})),
}


def changes_between(
    old: Iterable[dict[str, Any]], new: Iterable[dict[str, Any]], refused: dict[tuple[str, str], str]
) -> Iterable[dict[str, Any]]:
    """What is new, worse, better or gone, worst first. refused: rules that can no longer judge a vehicle, and why."""

    def key(f: dict[str, Any]) -> tuple[str, str, str]:
        return f["vehicle"], f["rule"], f["item"]

    before, after = {key(f): f for f in old}, {key(f): f for f in new}
    out = []
    for k in sorted(before.keys() | after.keys()):
        was, now = before.get(k), after.get(k)
        change = _change(was, now)
        if change is None:
            continue
        f = now or was
        assert f is not None
        statement = f["statement"]
        if now is None:
            why = refused.get(k[:2])
            statement = f"no longer assessed: {why}" if why else f"no longer found; it was: {statement}"
        out.append(
            {
                "vehicle": k[0],
                "rule": k[1],
                "item": k[2],
                "change": change,
                "severity": f["severity"],
                "severity_before": was["severity"] if was else None,
                "measured": f["measured"] if now else None,
                "unit": f["unit"],
                "statement": statement,
            }
            | {n: now[n] if now else None for n in KEPT}
        )
    return sorted(out, key=worst_first)


def worst_first(change: dict[str, Any]) -> tuple[int, int, str]:
    """Order of rows of finding_log."""
    order = ("new", "worse", "gone", "better")
    return -rank(change["severity"]), order.index(change["change"]), change["vehicle"]


def _change(was: dict[str, Any] | None, now: dict[str, Any] | None) -> str | None:
    if was is None or now is None:
        return "new" if was is None else "gone"
    step = rank(now["severity"]) - rank(was["severity"])
    drift = step or now["share"] - was["share"]
    if abs(drift) < NOTABLE:
        return None
    return "worse" if drift > 0 else "better"
