"""All that the published catalogue says about one vehicle, read once and passed around as plain rows."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.night import mutes
from herdbook.pipeline.reports.words import names as plain
from herdbook.pipeline.reports.words import numbers as words
from herdbook.pipeline.store.statements import statement
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    import duckdb
    import polars as pl

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Facts:
    """One vehicle. Rows are dicts named as the catalogue's columns; metrics and events are polars tables.
    stated: the logs whose sidecars said a fact (batch, built, in_service).

    metrics: start_t, kind, name, item, value, unit, se, n, coverage.  events: session_start_t, kind, item,
    start_t, end_t, keys, numbers (lists of equal length).  zone None: the zone is unknown and the page says
    UTC.  titles, subsystems: by rule id."""

    vehicle: str
    about: Row
    zone: ZoneInfo | None
    findings: list[Row]
    not_assessed: list[Row]
    scores: list[Row]
    sessions: list[Row]
    installs: list[Row]
    stated: dict[str, tuple[str, ...]]
    logs: list[Row]
    messages: list[Row]
    changes: list[Row]
    metrics: pl.DataFrame
    events: pl.DataFrame
    scan: Row | None
    rule_set: Row | None
    titles: dict[str, str] = field(default_factory=dict)
    subsystems: dict[str, str] = field(default_factory=dict)
    peers_named: bool = False  # other vehicles may be named; else they are "a peer", so that a page may be passed on

    @property
    def zone_name(self) -> str:
        return self.zone.key if self.zone else "UTC"

    def rule_title(self, rule: str) -> str:
        return self.titles.get(rule) or plain.component(rule)

    def graves(self, severity: str) -> list[Row]:
        return [f for f in self.findings if f["severity"] == severity]


def sql(name: str) -> str:
    return statement(__name__, name)


def rows(con: duckdb.DuckDBPyConnection, query: str, **given: object) -> list[Row]:
    """Result rows as dicts. query: a name under sql/ or a statement."""
    text = query if " " in query else sql(query)
    found = con.execute(text, given) if given else con.execute(text)
    names = [column[0] for column in found.description or ()]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def table(con: duckdb.DuckDBPyConnection, query: str, **given: object) -> pl.DataFrame:
    """Result as a polars table. query: a name under sql/ or a statement."""
    import polars as pl

    text = query if " " in query else sql(query)
    return pl.DataFrame(pl.from_arrow(con.sql(text, params=given or None).to_arrow_table()))


def one_vehicle(con: duckdb.DuckDBPyConnection, vehicle: str, zone: str, as_of: datetime | None = None) -> Facts:
    """Everything about one vehicle. Raises NotKnownError naming near vehicles when it is unknown.

    zone: used where the vehicle has none of its own.  as_of: only logs received by then, and what follows
    from them; findings and scores are always today's."""
    about = rows(con, "vehicle", vehicle=vehicle)
    if not about:
        raise NotKnownError(f"vehicle {vehicle!r} is not in the catalogue", do=_nearest(con, vehicle))
    of = {"vehicle": vehicle}
    dated = {"vehicle": vehicle, "as_of": as_of}
    scans = rows(con, "newest_scan", as_of=as_of)
    sets = rows(con, "SELECT * FROM rule_sets ORDER BY made_t, rule_set")
    stated = {row["fact"]: tuple(row["logs"]) for row in rows(con, "stated", **dated)}
    if as_of is not None:  # what a sidecar said later was not known then
        about[0] |= {key: None for key in ("batch", "built", "in_service") if key not in stated}
    return Facts(
        vehicle=vehicle,
        about=about[0],
        stated=stated,
        zone=words.zone_of(about[0]["zone"] or zone),
        findings=_findings(con, vehicle),
        not_assessed=rows(con, "SELECT * FROM not_assessed WHERE vehicle = $vehicle ORDER BY subsystem, rule", **of),
        scores=rows(con, "SELECT * FROM scores WHERE vehicle = $vehicle", **of),
        sessions=rows(con, "sessions", **dated),
        installs=rows(con, "installs", **dated),
        logs=rows(con, "logs", **dated),
        messages=rows(con, "messages", **of),
        changes=rows(con, "changes", **dated),
        metrics=table(con, "metrics", **of),
        events=table(con, "events", **of),
        scan=scans[0] if scans else None,
        rule_set=sets[-1] if sets else None,
        titles=plain.of_rules(sets, "title"),
        subsystems=plain.of_rules(sets, "subsystem"),
    )


def _findings(con: duckdb.DuckDBPyConnection, vehicle: str) -> list[Row]:
    """Findings as they stand; muted: the mute in force now, or None."""
    held = mutes.in_force(con, utc_now())
    found = rows(con, "findings", vehicle=vehicle)
    return [f | {"muted": held.get((vehicle, f["rule"], f["item"]))} for f in found]


def _nearest(con: duckdb.DuckDBPyConnection, vehicle: str) -> str:
    near = [
        str(r[0])
        for r in con.execute(
            "SELECT vehicle FROM vehicles ORDER BY jaro_winkler_similarity(vehicle, $v) DESC, vehicle LIMIT 3",
            {"v": vehicle},
        ).fetchall()
    ]
    return f"Nearest known: {', '.join(near)}" if near else "The catalogue holds no vehicle yet"
