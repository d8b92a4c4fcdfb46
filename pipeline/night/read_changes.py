"""The change list of a closed night, read from a catalogue. What counts as news stands in pipeline/night/changes.py."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from herdbook.pipeline.book import stop_use
from herdbook.pipeline.health.severity import rank
from herdbook.pipeline.night import mutes
from herdbook.pipeline.night.changes import NOT_ASSESSED, Change, ChangeKind, ChangeList, ProfileDoubt, StopUse
from herdbook.pipeline.night.silence import fleet_patience, standing_still
from herdbook.pipeline.store.connection import visit
from herdbook.pipeline.store.statements import Row, ask, has
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import naive_utc

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

NOT_ASSESSED_OF = "SELECT vehicle, reason FROM fleet_log WHERE scan = ? AND change = ? ORDER BY vehicle"


def last_night(store: Store, quiet_days: float | None = None, scan: str = "") -> ChangeList | None:
    """The change list of a closed night, the newest when scan is empty; None when there is none."""
    with visit(store.catalogue, read_only=True) as con:
        return read_changes(con, scan, quiet_days)


def read_changes(
    con: DuckDBPyConnection, scan: str = "", quiet_days: float | None = None, now: datetime | None = None
) -> ChangeList | None:
    """The change list of one closed night, the newest when scan is empty; None when there is none.

    con: the catalogue or the published copy, read-only is enough. quiet_days: as in pipeline/night/changes.py. now: the
    day to which days without any log count, when it is not that of the night.
    """
    found = ask(con, __name__, "closed_night", scan=scan)
    if not found:
        return None
    night = found[0]
    day = naive_utc(now) if now else night["started_t"]
    findings, muted = _split_by_mutes(con, night["scan"], night["started_t"], finding_changes(con, night["scan"]))
    changes = findings + fleet_changes(con, night["scan"])
    refused = ask(con, __name__, "refused_since", begun=night["begun_t"])
    return ChangeList(
        scan=night["scan"],
        started=night["started_t"],
        as_of=night["as_of"],
        covers=tuple(night["covers"]),
        logs_new=int(night["logs_new"]),
        vehicles=int(night["vehicles"]),
        stop_use=tuple(open_stop_use(con, night["started_t"])),
        changes=tuple(sorted(changes, key=Change.rank)),
        notes=_notes(con, night["scan"]),
        quarantined=tuple((row["name"], row["reason"]) for row in refused),
        folders=tuple(row["folder"] for row in refused),
        fleet_quiet=_still(con, night["as_of"], day),
        quiet_calls=_calls(night["as_of"], day, quiet_days),
        muted=tuple(sorted(muted, key=Change.rank)),
        doubts=tuple(profile_doubts(con, night["covers"])),
        not_assessed=tuple(con.execute(NOT_ASSESSED_OF, [night["scan"], NOT_ASSESSED]).fetchall()),
    )


def _notes(con: DuckDBPyConnection, scan: str) -> tuple[str, ...]:
    """What a night did beside new logs; none in a copy that was published before there were such."""
    return tuple(row["note"] for row in ask(con, __name__, "night_notes", scan=scan)) if has(con, "night_notes") else ()


def profile_doubts(con: DuckDBPyConnection, covers: Sequence[str]) -> list[ProfileDoubt]:
    """What logs say against profiles, as it stands; new where one of these scans found it first."""
    if not has(con, "contact_checks"):  # published by an older Herdbook
        return []
    return [
        ProfileDoubt(
            profile=row["profile"],
            verdict=row["verdict"],
            reason=row["reason"],
            found=row["found"],
            advice=row["advice"],
            roles=tuple(row["roles"]),
            new=row["since"] in covers,
        )
        for row in ask(con, __name__, "profile_doubts")
    ]


def open_stop_use(con: DuckDBPyConnection, t: datetime) -> list[StopUse]:
    """Stop-use findings that stand, or that nobody has looked into since a scan told of them, but for those that the
    service book closed. t: naive UTC, at which their age is told."""
    if not has(con, "stop_use_matters"):  # published by an older Herdbook
        return [StopUse(**row) for row in ask(con, __name__, "standing_stop_use")]
    found = sorted((m for m in stop_use.matters(con) if m.open), key=lambda m: m.key)
    return [StopUse(m.vehicle, m.title or m.rule.replace("_", " "), m.item, m.statement, m.words(t)) for m in found]


def finding_changes(con: DuckDBPyConnection, scan: str) -> list[Change]:
    """Changes of findings, netted over the scans that the night covers."""
    return [_finding_change(row) for row in ask(con, __name__, "changes_findings", scan=scan)]


def _finding_change(row: Row) -> Change:
    before, severity, statement = row["before"], row["severity"], row["statement"]
    kind = ChangeKind(net_change(before, severity, row["change"]))
    if kind is ChangeKind.GONE:
        reason = f"{statement}; that is no repair" if row["refused"] else statement
        told = Change(kind, row["vehicle"], reason, severity="", before=before or severity)
    else:
        step = f" (was {before})" if before and before != severity else ""
        told = Change(kind, row["vehicle"], statement + step, severity=severity, before=before or "")
    return replace(told, rule=row["rule"], title=row["title"], item=row["item"])


def net_change(before: str | None, severity: str, logged: str) -> str:
    """The change over a whole night from the first severity before, the last one after and what was logged last."""
    if before is None or logged == "gone":
        return "gone" if logged == "gone" else "new"
    step = rank(severity) - rank(before)
    return "worse" if step > 0 else "better" if step < 0 else logged


def _split_by_mutes(
    con: DuckDBPyConnection, scan: str, started: datetime, changes: Sequence[Change]
) -> tuple[list[Change], list[Change]]:
    """Changes of findings to tell, and those muted; findings whose mute ended are told again."""
    if not mutes.known(con):
        return list(changes), []
    held = mutes.in_force(con, started)
    told, muted = [], []
    for c in changes:
        mute = held.get((c.vehicle, c.rule, c.item))
        if mute is None or not mute.covers(c.severity):
            told.append(c)
        else:
            muted.append(replace(c, reason=f"{c.reason} Muted {mute.words}"))
    settled = {(c.vehicle, c.rule, c.item) for c in changes} | held.keys()
    return told + _unmuted(con, scan, started, settled), muted


def _unmuted(con: DuckDBPyConnection, scan: str, started: datetime, settled: set[mutes.Key]) -> list[Change]:
    """Findings that stand, whose mute ended since the night before, and that are not told or muted anyway."""
    [before] = ask(con, __name__, "night_before", scan=scan)
    if before["started_t"] is None:
        return []
    over = {key: m for key, m in mutes.ended(con, before["started_t"], started).items() if key not in settled}
    if not over:
        return []
    stands = ask(con, __name__, "standing_of_vehicles", vehicles=sorted({vehicle for vehicle, _, _ in over}))
    return [
        Change(
            ChangeKind.UNMUTED,
            f["vehicle"],
            f"{f['statement']} Its mute by {mute.by} ended on {mute.end:%Y-%m-%d}.",
            severity=f["severity"],
            rule=f["rule"],
            title=f["title"],
            item=f["item"],
        )
        for f in stands
        if (mute := over.get((f["vehicle"], f["rule"], f["item"])))
    ]


def fleet_changes(con: DuckDBPyConnection, scan: str) -> list[Change]:
    """Changes of vehicles as such: first seen, silent, back."""
    wanted = "SELECT change, vehicle, reason FROM fleet_log WHERE scan = ? AND change <> ?"
    rows = con.execute(wanted, [scan, NOT_ASSESSED]).fetchall()
    return [Change(ChangeKind(kind), vehicle, reason) for kind, vehicle, reason in rows]


def _still(con: DuckDBPyConnection, newest: datetime, day: datetime) -> str:
    """What is told when the whole fleet stands still on that day; "" otherwise."""
    days = (row["day"] for row in ask(con, __name__, "fleet_days", newest=newest))
    return standing_still(newest, day, fleet_patience(days))


def _calls(newest: datetime, day: datetime, quiet_days: float | None) -> bool:
    """No vehicle has sent anything for so many days that somebody is to be called."""
    return quiet_days is not None and day - newest > timedelta(days=quiet_days)
