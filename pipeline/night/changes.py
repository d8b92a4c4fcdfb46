"""The change list of a night: new, worse, unmuted, better, gone, silent, first seen, back; with the reason each.

Exit code of a night (one place; the command line repeats it):
    20  a stop-use finding is new or worse
    10  a service finding is new or worse, or its mute has ended; or the fleet is quiet: only with `quiet_days`
        set, when no vehicle at all has a record newer than that, so that the uploads may be broken
    30  nothing of that, but logs went to quarantine this night
     0  nothing to call anyone about
The most urgent wins: 20 before 10 before 30. A stop-use finding that stands unchanged is no news and gives
no code, but stands first in every list and message until it is gone. Errors have codes of their own
(pipeline/errors.py).

Muted findings (pipeline/night/mutes.py) are kept out of the list, the message and the exit code, and told apart as
`muted`; never a stop-use finding. The mutes that count are those in force when the night's scan began, so that
a list reads the same tomorrow.

`gone` is not `repaired`: when the rule cannot judge any more (a sensor died, say), the reason says so.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from herdbook.pipeline.health.severity import rank
from herdbook.pipeline.night import mutes
from herdbook.pipeline.store.connection import query
from herdbook.pipeline.times import naive_utc, stamp, utc_now

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

URGENT = ("new", "worse", "unmuted")
ORDER = ("new", "worse", "unmuted", "back", "silent", "first seen", "better", "gone")
NOTHING, SERVICE_NEWS, STOP_USE_NEWS, QUARANTINED = 0, 10, 20, 30


@dataclass(frozen=True, slots=True)
class Change:
    """One line. rule, title, item, severity are empty for changes of the vehicle itself. reason: a plain
    sentence."""

    change: str
    vehicle: str
    reason: str
    severity: str = ""
    before: str = ""
    rule: str = ""
    title: str = ""
    item: str = ""

    @property
    def urgent(self) -> bool:
        return self.change in URGENT

    def rank(self) -> tuple[int, int, str, str, str]:
        """Stop-use news first, then service news, then the vehicles, then notes, then good news."""
        news = rank(self.severity) if self.urgent and self.severity else 0
        return (-news, ORDER.index(self.change), self.vehicle, self.rule, self.item)


@dataclass(frozen=True, slots=True)
class Standing:
    """A stop-use finding as it stands: the vehicle must not be ridden."""

    vehicle: str
    title: str
    item: str
    statement: str


@dataclass(frozen=True, slots=True)
class ChangeList:
    """One night. quarantined: name and reason of logs refused this night. fleet_quiet: "" or one sentence.
    muted: changes that would be told but for a mute, with it in the reason."""

    scan: str
    started: datetime
    as_of: datetime
    covers: tuple[str, ...]
    logs_new: int
    vehicles: int
    stop_use: tuple[Standing, ...]
    changes: tuple[Change, ...]
    quarantined: tuple[tuple[str, str], ...]
    fleet_quiet: str
    muted: tuple[Change, ...] = ()

    @property
    def exit_code(self) -> int:
        worst = {c.severity for c in self.changes if c.urgent}
        if "stop-use" in worst:
            return STOP_USE_NEWS
        if "service" in worst or self.fleet_quiet:
            return SERVICE_NEWS
        return QUARANTINED if self.quarantined else NOTHING

    def counts(self) -> dict[str, int]:
        return {kind: sum(c.change == kind for c in self.changes) for kind in ORDER}

    def headline(self) -> str:
        """One line for a subject or a terminal."""
        called = ", ".join(f"{n} {kind}" for kind, n in self.counts().items() if n) or "nothing changed"
        ban = len({s.vehicle for s in self.stop_use})
        first = f"STOP USE: {ban} vehicle{'s' * (ban != 1)}. " if ban else ""
        out = len(self.quarantined)
        refused = f"; {out} log{'s' * (out != 1)} in quarantine" if out else ""
        unheard = f"; {len(self.muted)} muted" if self.muted else ""
        return f"{first}{self.logs_new} new log{'s' * (self.logs_new != 1)}, {called}{refused}{unheard}."

    def as_dict(self) -> dict[str, object]:
        """Ready for JSON; times are ISO 8601 in UTC."""
        return {
            "scan": self.scan,
            "started": stamp(self.started, "auto"),
            "as_of": stamp(self.as_of, "auto"),
            "covers": list(self.covers),
            "exit_code": self.exit_code,
            "headline": self.headline(),
            "logs_new": self.logs_new,
            "vehicles": self.vehicles,
            "counts": self.counts(),
            "stop_use": [asdict(s) for s in self.stop_use],
            "changes": [asdict(c) for c in self.changes],
            "muted": [asdict(c) for c in self.muted],
            "fleet_quiet": self.fleet_quiet,
            "quarantined": [{"log": name, "reason": reason} for name, reason in self.quarantined],
        }

    def rows(self) -> list[tuple[str, str, str, str, str]]:
        """Table rows: change, severity, vehicle, about, reason."""
        return [
            (c.change, _severity(c), c.vehicle, " ".join(p for p in (c.title, c.item) if p), c.reason)
            for c in self.changes
        ]


COLUMNS = ("change", "severity", "vehicle", "about", "reason")


def _severity(c: Change) -> str:
    return f"{c.before} -> {c.severity}" if c.before and c.before != c.severity else c.severity


def read_changes(
    con: DuckDBPyConnection, scan: str = "", quiet_days: float | None = None, now: datetime | None = None
) -> ChangeList | None:
    """The change list of one closed night, the newest when scan is empty; None when there is none.

    con: the catalogue or the published copy, read-only is enough. quiet_days: as described above.
    """
    row = con.execute(
        "SELECT n.by_scan, s.started_t, n.as_of FROM nights n JOIN scans s ON s.scan = n.scan "
        "WHERE n.scan = n.by_scan AND ($scan = '' OR n.scan = $scan) ORDER BY n.rowid DESC LIMIT 1",
        {"scan": scan},
    ).fetchone()
    if row is None:
        return None
    scan, started, as_of = row
    about = con.execute(
        "SELECT list(n.scan ORDER BY s.started_t), min(s.started_t), coalesce(sum(s.logs_new), 0), "
        "(SELECT count(*) FROM vehicles) FROM nights n JOIN scans s USING (scan) WHERE n.by_scan = $scan",
        {"scan": scan},
    ).fetchone()
    assert about is not None
    covers, begun, logs_new, vehicles = about
    standing = con.execute(
        "SELECT vehicle, title, item, statement FROM findings WHERE severity = 'stop-use' ORDER BY vehicle, rule, item"
    ).fetchall()
    refused = con.execute(
        "SELECT name, reason FROM quarantine WHERE last_t >= $t ORDER BY name", {"t": begun}
    ).fetchall()
    findings, muted = heard(con, scan, started, finding_changes(con, scan))
    changes = findings + fleet_changes(con, scan)
    return ChangeList(
        scan,
        started,
        as_of,
        tuple(covers),
        int(logs_new),
        int(vehicles),
        tuple(Standing(*s) for s in standing),
        tuple(sorted(changes, key=Change.rank)),
        tuple((n, r) for n, r in refused),
        quiet(as_of, now, quiet_days),
        tuple(sorted(muted, key=Change.rank)),
    )


def finding_changes(con: DuckDBPyConnection, scan: str) -> list[Change]:
    """Changes of findings, netted over the scans that the night covers."""
    rows = con.execute(query("changes_findings"), {"scan": scan}).fetchall()
    return [_finding_change(*row) for row in rows]


def _finding_change(
    vehicle: str,
    rule: str,
    item: str,
    title: str,
    before: str | None,
    logged: str,
    severity: str,
    measured: float | None,
    unit: str | None,
    statement: str,
    refused: str | None,
) -> Change:
    kind = net_change(before, severity, logged)
    if kind == "gone":
        reason = f"{statement}; that is no repair" if refused else statement
        return Change(kind, vehicle, reason, "", before or severity, rule, title, item)
    step = f" (was {before})" if before and before != severity else ""
    return Change(kind, vehicle, statement + step, severity, before or "", rule, title, item)


def net_change(before: str | None, severity: str, logged: str) -> str:
    """The change over a whole night from the first severity before, the last one after and what was logged
    last."""
    if before is None or logged == "gone":
        return "gone" if logged == "gone" else "new"
    step = rank(severity) - rank(before)
    return "worse" if step > 0 else "better" if step < 0 else logged


def heard(
    con: DuckDBPyConnection, scan: str, started: datetime, changes: list[Change]
) -> tuple[list[Change], list[Change]]:
    """Changes of findings split into those to tell and those muted; findings whose mute ended are told again."""
    if not mutes.known(con):
        return changes, []
    held = mutes.in_force(con, started)
    told, muted = [], []
    for c in changes:
        mute = held.get((c.vehicle, c.rule, c.item))
        if mute is None or not mute.covers(c.severity):
            told.append(c)
        else:
            muted.append(replace(c, reason=f"{c.reason} Muted {mute.words}"))
    return told + _unmuted(con, scan, started, held, {(c.vehicle, c.rule, c.item) for c in changes}), muted


def _unmuted(
    con: DuckDBPyConnection, scan: str, started: datetime, held: dict[mutes.Key, mutes.Mute], changed: set[mutes.Key]
) -> list[Change]:
    """Findings that stand, whose mute ended since the night before, and that are not told or muted anyway."""
    row = con.execute(
        "SELECT max(s.started_t) FROM nights n JOIN scans s USING (scan) WHERE n.scan = n.by_scan "
        "AND n.rowid < (SELECT min(rowid) FROM nights WHERE by_scan = ?)",
        [scan],
    ).fetchone()
    if row is None or row[0] is None:
        return []
    over = {key: m for key, m in mutes.ended(con, row[0], started).items() if key not in held and key not in changed}
    if not over:
        return []
    stands = con.execute(
        "SELECT vehicle, rule, item, title, severity, statement FROM findings WHERE vehicle IN (SELECT unnest(?))",
        [sorted({v for v, _, _ in over})],
    ).fetchall()
    return [
        Change(
            "unmuted",
            v,
            f"{statement} Its mute by {mute.by} ended on {mute.end:%Y-%m-%d}.",
            severity,
            "",
            rule,
            title,
            item,
        )
        for v, rule, item, title, severity, statement in stands
        if (mute := over.get((v, rule, item)))
    ]


def fleet_changes(con: DuckDBPyConnection, scan: str) -> list[Change]:
    rows = con.execute("SELECT change, vehicle, reason FROM fleet_log WHERE scan = $scan", {"scan": scan}).fetchall()
    return [Change(*row) for row in rows]


def quiet(as_of: datetime, now: datetime | None, days: float | None) -> str:
    """One sentence when no vehicle at all has sent anything for so many days; "" otherwise."""
    away = (naive_utc(now) if now else utc_now()) - as_of
    if days is None or away <= timedelta(days=days):
        return ""
    return (
        f"No vehicle has a record newer than {as_of:%Y-%m-%d %H:%M} UTC, {away.days} days ago. "
        "If the fleet is in use, check the uploads and the inbox."
    )
