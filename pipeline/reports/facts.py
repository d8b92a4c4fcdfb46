"""All that the published catalogue says about one vehicle, read once and passed around as plain rows."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from herdbook.pipeline.book import book, stop_use
from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.health.doubted_figures import doubted_figures
from herdbook.pipeline.night import mutes
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.store.statements import Row, ask, has, statement
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    from collections.abc import Sequence

    import duckdb
    import polars as pl

    from herdbook.pipeline.book.entry import Entry
    from herdbook.pipeline.book.stop_use import Matter


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
    corrections: list[Row] = field(default_factory=list)  # what people said of logs that were or are its own
    doubts: dict[str, str] = field(default_factory=dict)  # roles that logs contradict, with why
    other_packs: str = ""  # of packs side by side: that the ones not mapped are not judged, and how to judge them
    book: list[Entry] = field(default_factory=list)  # the service book, also entries that hold no longer
    matters: list[Matter] = field(default_factory=list)  # stop-use findings that scans ever told
    pack: int = 0  # which of several packs side by side is looked at; 0: the vehicle
    peers_named: bool = False  # other vehicles may be named; else they are "a peer", so that a page may be passed on

    @property
    def doubted(self) -> dict[str, str]:
        """Names of figures that rest on a role in doubt, with why."""
        return doubted_figures(self.doubts)

    @property
    def doubted_roles(self) -> str:
        """The roles in doubt, as a person reads them."""
        return numbers.listing([names.role_words(role) for role in self.doubts])

    @property
    def zone_name(self) -> str:
        return self.zone.key if self.zone else "UTC"

    def rule_title(self, rule: str) -> str:
        return self.titles.get(rule) or names.component(rule)

    @property
    def unlooked(self) -> list[Matter]:
        """Stop-use findings that the newest scan no longer gives, and that nobody looked into."""
        return [m for m in self.matters if m.open and not m.standing]

    def graves(self, severity: str) -> list[Row]:
        return [f for f in self.findings if f["severity"] == severity]


def pack_seen_last(facts: Facts) -> str:
    """Serial of the pack that the buses named last; "" for none."""
    packs = [row for row in facts.installs if row["component"] == "pack"]
    return str(max(packs, key=lambda row: row["to_t"])["serial"]) if packs else ""


def table(con: duckdb.DuckDBPyConnection, module: str, name: str, **given: object) -> pl.DataFrame:
    """What a statement in a file gives, as a polars table; module, name: as ask() takes them."""
    import polars as pl

    return pl.DataFrame(pl.from_arrow(con.sql(statement(module, name), params=given or None).to_arrow_table()))


def one_vehicle(con: duckdb.DuckDBPyConnection, vehicle: str, zone: str, as_of: datetime | None = None) -> Facts:
    """Everything about one vehicle. Raises NotKnownError naming near vehicles when it is unknown.

    zone: used where the vehicle has none of its own.  as_of: only logs received by then, and what follows
    from them; findings and scores are always today's."""
    about = ask(con, __name__, "vehicle", vehicle=vehicle)
    if not about:
        raise NotKnownError(f"vehicle {vehicle!r} is not in the catalogue", do=_nearest(con, vehicle))
    of = {"vehicle": vehicle}
    dated = {"vehicle": vehicle, "as_of": as_of}
    scans = ask(con, __name__, "newest_scan", as_of=as_of)
    sets = ask(con, __name__, "rule_sets")
    matters = stop_use.matters(con, vehicle)
    stated = {row["fact"]: tuple(row["logs"]) for row in ask(con, __name__, "stated", **dated)}
    if as_of is not None:  # what a sidecar said later was not known then
        about[0] |= {key: None for key in ("batch", "built", "in_service") if key not in stated}
    return Facts(
        vehicle=vehicle,
        about=about[0],
        stated=stated,
        zone=numbers.zone_of(about[0]["zone"] or zone),
        findings=_findings(con, vehicle, matters),
        not_assessed=ask(con, __name__, "not_assessed", **of),
        scores=ask(con, __name__, "scores", **of),
        sessions=ask(con, __name__, "sessions", **dated),
        installs=ask(con, __name__, "installs", **dated),
        logs=ask(con, __name__, "logs", **dated),
        messages=ask(con, __name__, "messages", **of),
        changes=ask(con, __name__, "changes", **dated),
        metrics=table(con, __name__, "metrics", **of),
        events=table(con, __name__, "events", **of),
        scan=scans[0] if scans else None,
        rule_set=sets[-1] if sets else None,
        titles=names.of_rules(sets, "title"),
        subsystems=names.of_rules(sets, "subsystem"),
        book=book.entries(con, vehicle, as_of),
        matters=matters,
        corrections=ask(con, __name__, "corrections", **dated) if has(con, "corrections") else [],
        doubts=doubts_of(con, about[0]["profile"]),
        other_packs=other_packs_of(con, about[0]["profile"]),
    )


def unbooked(facts: Facts) -> Facts:
    """The same where no service book is kept: whether anybody acknowledged a stop-use finding is then not known."""
    return replace(facts, matters=[], findings=[f | {"matter": None} for f in facts.findings])


def doubts_of(con: duckdb.DuckDBPyConnection, profile: str) -> dict[str, str]:
    """Roles of a profile that logs contradict, with why."""
    if not has(con, "contact_checks"):  # published by an older Herdbook
        return {}
    return {row["role"]: row["reason"] for row in ask(con, __name__, "doubted_roles", profile=profile)}


def other_packs_of(con: duckdb.DuckDBPyConnection, profile: str) -> str:
    """What is not judged of packs side by side, in sentences; "" where the profile maps all there is."""
    rows = ask(con, __name__, "other_packs", profile=profile) if has(con, "contact_checks") else []
    return " ".join(f"{text[:1].upper()}{text[1:]}." for row in rows for text in (row["found"], row["advice"]))


def rule_titles(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """What every rule that ever judged is called, by its id."""
    return names.of_rules(ask(con, __name__, "rule_sets"), "title")


def _findings(con: duckdb.DuckDBPyConnection, vehicle: str, matters: Sequence[Matter]) -> list[Row]:
    """Findings as they stand; muted: the mute in force now, or None; matter: of a stop-use one, or None."""
    held, about = mutes.in_force(con, utc_now()), {m.key: m for m in matters}
    found = ask(con, __name__, "findings", vehicle=vehicle)
    keys = [(vehicle, f["rule"], f["item"]) for f in found]
    return [f | {"muted": held.get(key), "matter": about.get(key)} for f, key in zip(found, keys, strict=True)]


def _nearest(con: duckdb.DuckDBPyConnection, vehicle: str) -> str:
    near = [str(row["vehicle"]) for row in ask(con, __name__, "nearest", vehicle=vehicle)]
    return f"Nearest known: {', '.join(near)}" if near else "The catalogue holds no vehicle yet"
