"""The change list of a night: new, worse, unmuted, better, gone, silent, first seen, back; with the reason each.

Exit code of a night (one place; the command line repeats it):
    20  a stop-use finding is new or worse
    10  a service finding is new or worse, or its mute has ended; or the fleet is quiet: only with `quiet_days`
        set, when no vehicle at all has a record newer than that, so that the uploads may be broken (a fleet that stands
        still is told in any case); or logs contradict
        a profile (pipeline/night/contacts.py) in a way that is new this night
    40  nothing of that, but vehicles whose record changed could not be assessed: nobody knows what stands against them
    30  nothing of that either, but logs went to quarantine this night
     0  nothing to call anyone about
The most urgent wins: 20 before 10 before 40 before 30. A stop-use finding that stands unchanged is no news and gives
no code, but stands first in every list and message until it is gone. Errors have their own codes: pipeline/errors.py.

Muted findings (pipeline/night/mutes.py) are kept out of the list, the message and the exit code, and told apart as
`muted`; never a stop-use finding. The mutes that count are those in force when the night's scan began, so that
a list reads the same tomorrow.

`gone` is not `repaired`: when the rule cannot judge any more (a sensor died, say), the reason says so.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from datetime import datetime
from enum import StrEnum

from herdbook.pipeline.health.severity import Severity, rank
from herdbook.pipeline.health.voice import VOICES
from herdbook.pipeline.many_groups import told_once
from herdbook.pipeline.times import stamp

NOTHING, QUARANTINED, UNASSESSED = 0, 30, 40
SERVICE_NEWS, STOP_USE_NEWS = VOICES[Severity.SERVICE].exit_code, VOICES[Severity.STOP_USE].exit_code
NOT_ASSESSED = "not assessed"  # in fleet_log, for a vehicle that a scan could not assess
COLUMNS = ("change", "severity", "vehicle", "about", "reason")


class ChangeKind(StrEnum):
    """What can change, in the order in which it is told among equals."""

    NEW = "new"
    WORSE = "worse"
    UNMUTED = "unmuted"
    BACK = "back"
    SILENT = "silent"
    FIRST_SEEN = "first seen"
    BETTER = "better"
    GONE = "gone"


URGENT = (ChangeKind.NEW, ChangeKind.WORSE, ChangeKind.UNMUTED)


@dataclass(frozen=True, slots=True)
class Change:
    """One line. rule, title, item, severity are empty for changes of the vehicle itself. reason: a plain sentence."""

    change: ChangeKind
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
        return (-news, list(ChangeKind).index(self.change), self.vehicle, self.rule, self.item)

    def as_dict(self) -> dict[str, str]:
        return asdict(self) | {"change": self.change.value}


@dataclass(frozen=True, slots=True)
class StopUse:
    """A stop-use finding that is open: the vehicle must not be ridden. state: since when, and what people did about it,
    as herdbook.pipeline.book.stop_use puts it."""

    vehicle: str
    title: str
    item: str
    statement: str
    state: str = ""

    @property
    def words(self) -> str:
        return f"{self.statement} ({self.state})" if self.state else self.statement


@dataclass(frozen=True, slots=True)
class ProfileDoubt:
    """What logs say against a profile, as it stands. verdict: contradicted (rules that read `roles` do not judge) or
    doubtful. new: found this night."""

    profile: str
    verdict: str
    reason: str
    found: str
    advice: str
    roles: tuple[str, ...]
    new: bool

    @property
    def words(self) -> str:
        stops = "; rules that need it are not assessed" if self.verdict == "contradicted" else ""
        return f"{self.reason} ({self.found}){stops}. {self.advice}"


@dataclass(frozen=True, slots=True)
class ChangeList:
    """One night. quarantined: name and reason of logs refused this night. fleet_quiet: that it stands still, in
    words, or ""; quiet_calls: it is to be called about. muted: changes that would be told but for a mute, with it in
    the reason. not_assessed: vehicle and why, for vehicles that could not be assessed. waiting: path and why, for files
    not taken in yet; known to the scan itself alone."""

    scan: str
    started: datetime
    as_of: datetime
    covers: tuple[str, ...]
    logs_new: int
    vehicles: int
    stop_use: tuple[StopUse, ...]
    changes: tuple[Change, ...]
    quarantined: tuple[tuple[str, str], ...]
    fleet_quiet: str
    quiet_calls: bool = False
    folders: tuple[str, ...] = ()  # in which the logs of `quarantined` lay
    muted: tuple[Change, ...] = ()
    doubts: tuple[ProfileDoubt, ...] = ()
    notes: tuple[str, ...] = ()  # what the night did beside new logs
    not_assessed: tuple[tuple[str, str], ...] = ()
    waiting: tuple[tuple[str, str], ...] = ()

    @property
    def exit_code(self) -> int:
        worst = {c.severity for c in self.changes if c.urgent}
        if "stop-use" in worst:
            return STOP_USE_NEWS
        if "service" in worst or self.quiet_calls or any(d.new and d.verdict == "contradicted" for d in self.doubts):
            return SERVICE_NEWS
        if self.not_assessed:
            return UNASSESSED
        return QUARANTINED if self.quarantined else NOTHING

    def counts(self) -> dict[str, int]:
        return {kind.value: sum(c.change is kind for c in self.changes) for kind in ChangeKind}

    def headline(self) -> str:
        """One line for a subject or a terminal."""
        called = ", ".join(f"{n} {kind}" for kind, n in self.counts().items() if n) or "nothing changed"
        ban = len({s.vehicle for s in self.stop_use})
        first = f"STOP USE: {ban} vehicle{'s' * (ban != 1)}. " if ban else ""
        out, unknown, later = len(self.quarantined), len(self.not_assessed), len(self.waiting)
        refused = f"; {out} log{'s' * (out != 1)} in quarantine" if out else ""
        refused += f"; {unknown} vehicle{'s' * (unknown != 1)} not assessed" if unknown else ""
        refused += f"; {later} file{'s' * (later != 1)} waiting" if later else ""
        unheard = f"; {len(self.muted)} muted" if self.muted else ""
        wrong = len({d.profile for d in self.doubts if d.verdict == "contradicted"})
        doubted = f"; logs contradict {wrong} profile{'s' * (wrong != 1)}" if wrong else ""
        return f"{first}{self.logs_new} new log{'s' * (self.logs_new != 1)}, {called}{refused}{unheard}{doubted}."

    def as_dict(self) -> dict[str, object]:
        """Ready for JSON; times are ISO 8601 in UTC."""
        folders = self.folders or ("",) * len(self.quarantined)
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
            "changes": [c.as_dict() for c in self.changes],
            "muted": [c.as_dict() for c in self.muted],
            "notes": list(self.notes),
            "fleet_quiet": self.fleet_quiet,
            "profile_doubts": [asdict(d) | {"roles": list(d.roles)} for d in self.doubts],
            "quarantined": [
                {"log": name, "reason": reason, "folder": folder}
                for (name, reason), folder in zip(self.quarantined, folders, strict=True)
            ],
            "not_assessed": [{"vehicle": vehicle, "reason": reason} for vehicle, reason in self.not_assessed],
            "waiting": [{"path": path, "reason": reason} for path, reason in self.waiting],
        }

    def rows(self) -> list[tuple[str, str, str, str, str]]:
        """Table rows: change, severity, vehicle, about, reason; many groups of one pack are one row."""
        return [
            (c.change.value, _severity(c), c.vehicle, " ".join(p for p in (c.title, c.item) if p), c.reason)
            for c in self.changes_once()
        ]

    def changes_once(self) -> list[Change]:
        """The changes as people are told them: what one rule says of many groups of a pack once."""
        told = told_once(
            self.changes,
            same=lambda c: (c.change, c.vehicle, c.rule, c.severity, c.before),
            item=lambda c: c.item,
            statement=lambda c: c.reason,
        )
        return [replace(t.row, item=t.item, reason=t.statement) for t in told]

    def stop_use_once(self) -> list[StopUse]:
        """The same of what must not be used."""
        told = told_once(
            self.stop_use,
            same=lambda s: (s.vehicle, s.title, s.state),
            item=lambda s: s.item,
            statement=lambda s: s.statement,
        )
        return [replace(t.row, item=t.item, statement=t.statement) for t in told]


def _severity(c: Change) -> str:
    return f"{c.before} -> {c.severity}" if c.before and c.before != c.severity else c.severity
