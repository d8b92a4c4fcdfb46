"""Mutes: findings that a person asked not to hear about again until a day, with name and reason.

What a mute does and does not do (engineering choices, for the sake of safety):
- It covers findings that stand when it is made, one by one: never a rule, a vehicle or what is not known yet.
- It keeps them out of the change list, the messages and the exit code. They stay on every page, marked.
- It covers the severity that stood then. A graver one is news all the same.
- A stop-use finding cannot be muted, nor does any mute cover a finding that has become one.
- It ends: after LONGEST_DAYS at most, and then the finding, if it still stands, is news again (`unmuted`).
- It is never deleted, only lifted: who muted what, when and why stays in the catalogue.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.health.severity import Severity, rank
from herdbook.pipeline.store.connection import connect, transaction
from herdbook.pipeline.store.statements import has, statement
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from herdbook.pipeline.store.store import Store

LONGEST_DAYS = 92  # engineering choice: a season; who still wants silence then looks again
Key = tuple[str, str, str]  # vehicle, rule, item


@dataclass(frozen=True, slots=True)
class Mute:
    """One row of the table mutes. Times are naive UTC; until: the moment from which the finding is heard again."""

    mute: int
    vehicle: str
    rule: str
    item: str
    severity: str
    made: datetime
    by: str
    why: str
    until: datetime
    lifted: datetime | None
    lifted_by: str | None
    lifted_why: str | None

    @property
    def end(self) -> datetime:
        return self.until if self.lifted is None else min(self.until, self.lifted)

    @property
    def key(self) -> Key:
        return self.vehicle, self.rule, self.item

    def covers(self, severity: str) -> bool:
        """Whether a finding of this severity may stay unheard."""
        if not severity or severity == Severity.STOP_USE:
            return False
        return rank(severity) <= rank(self.severity)

    @property
    def words(self) -> str:
        """By whom, until when and why, in one piece."""
        return f"by {self.by} until {self.until:%Y-%m-%d %H:%M} UTC: {self.why}"


def known(con: DuckDBPyConnection) -> bool:
    """Whether this catalogue has mutes at all: a copy published by an older Herdbook has none."""
    return has(con, "mutes")


def every(con: DuckDBPyConnection) -> list[Mute]:
    """All mutes ever made, the newest first."""
    if not known(con):
        return []
    return [Mute(*row) for row in con.execute(statement(__name__, "mutes")).fetchall()]


def in_force(con: DuckDBPyConnection, t: datetime) -> dict[Key, Mute]:
    """The mutes in force at t (naive UTC) by finding; of several the one that lasts longest."""
    held = [m for m in every(con) if m.made <= t < m.end]
    return {m.key: m for m in sorted(held, key=lambda m: m.end)}


def ended(con: DuckDBPyConnection, after: datetime, until: datetime) -> dict[Key, Mute]:
    """Mutes that ended after one moment and by another (naive UTC), the last one of each finding."""
    over = [m for m in every(con) if after < m.end <= until]
    return {m.key: m for m in sorted(over, key=lambda m: m.end)}


def mute(
    store: Store,
    vehicle: str,
    rule: str,
    until: date,
    by: str,
    why: str,
    item: str | None = None,
    now: datetime | None = None,
) -> list[Mute]:
    """Mute what stands of a rule on a vehicle, to the end of a day in the store's zone, and publish; the mutes. The
    same said twice is one mute.

    item: only this one ("cell 7", "left"); None: each that stands. Raises: NotKnownError when nothing stands,
    SettingsError for a stop-use finding, a day that is over or too far, or an empty name or reason. now: naive UTC.
    """
    moment, end = now or utc_now(), end_of_day(until, store.settings.zone)
    _check(by, why)
    if end <= moment:
        raise SettingsError(f"{until} is over", do="Name a day from today on, like 2026-04-30")
    if end > moment + timedelta(days=LONGEST_DAYS + 1):
        raise SettingsError(f"{until} is more than {LONGEST_DAYS} days away", do="Name an earlier day; mute again then")
    with store.lock("a mute"):
        with transaction(store.catalogue) as con:
            found = _standing(con, vehicle, rule, item)
            before = every(con)
            said = {(m.key, m.severity, m.until, m.by, m.why): m for m in before if m.made <= moment < m.end}
            told: list[Mute] = []
            for which, severity in found:
                again = said.get(((vehicle, rule, which), severity, end, by.strip(), why.strip()))
                if again is not None:  # a repeated command changes nothing
                    told.append(again)
                    continue
                about = {"vehicle": vehicle, "rule": rule, "item": which, "severity": severity}
                con.execute(
                    statement(__name__, "add_mute"),
                    about | {"made": moment, "by": by.strip(), "why": why.strip(), "until": end},
                )
            known_before = {m.mute for m in before}
            told += [m for m in every(con) if m.mute not in known_before]
        _publish(store)
    return sorted(told, key=lambda m: m.mute)


def _standing(con: DuckDBPyConnection, vehicle: str, rule: str, item: str | None) -> list[tuple[str, str]]:
    """Item and severity of what may be muted. Raises: NotKnownError, SettingsError."""
    given = {"vehicle": vehicle, "rule": rule, "item": item}
    rows: list[tuple[str, str]] = con.execute(statement(__name__, "to_be_muted"), given).fetchall()
    if not rows:
        others = con.execute("SELECT DISTINCT rule FROM findings WHERE vehicle = ? ORDER BY 1", [vehicle]).fetchall()
        known_rules = ", ".join(r for (r,) in others) or "nothing"
        about = f" on {item!r}" if item is not None else ""
        raise NotKnownError(
            f"no finding of the rule {rule!r} stands against {vehicle!r}{about}",
            do=f"Standing against it: {known_rules}. Only what stands can be muted",
        )
    if any(severity == Severity.STOP_USE for _, severity in rows):
        raise SettingsError(
            f"a stop-use finding cannot be muted: {vehicle}, {rule}",
            do="Take the vehicle out of use; the finding goes when the record shows that it is mended",
        )
    return rows


def lift(
    store: Store, vehicle: str, rule: str, by: str, why: str, item: str | None = None, now: datetime | None = None
) -> list[Mute]:
    """End mutes before their day, and publish; the mutes ended. Raises: NotKnownError when none is in force."""
    moment = now or utc_now()
    _check(by, why)
    with store.lock("lifting a mute"):
        with transaction(store.catalogue) as con:
            held = [m for m in in_force(con, moment).values() if (m.vehicle, m.rule) == (vehicle, rule)]
            held = [m for m in held if item is None or m.item == item]
            said = (vehicle, rule, by.strip(), why.strip())
            done = [
                m for m in every(con) if (m.vehicle, m.rule, m.lifted_by, m.lifted_why) == said and m.until > moment
            ]
            done = [m for m in done if item is None or m.item == item]
            if not held and not done:
                raise NotKnownError(f"nothing of the rule {rule!r} is muted on {vehicle!r}", do="See: herdbook mute")
            keys = {m.key for m in held}
            numbers = [m.mute for m in every(con) if m.key in keys and m.made <= moment < m.end]
            given = {"mutes": numbers, "now": moment, "by": by.strip(), "why": why.strip()}
            con.execute(statement(__name__, "lift_mutes"), given)
            numbers += [] if numbers else [m.mute for m in done]  # said before: it is published again
            done = [m for m in every(con) if m.mute in set(numbers)]
        _publish(store)
    return done


def listed(store: Store, all_of_them: bool = False, now: datetime | None = None) -> list[Mute]:
    """The mutes in force, or every one ever made; the newest first."""
    con = connect(store.catalogue, read_only=True)
    try:
        return every(con) if all_of_them else sorted(in_force(con, now or utc_now()).values(), key=lambda m: -m.mute)
    finally:
        con.close()


def end_of_day(day: date, zone: str) -> datetime:
    """The moment a day ends in a zone, naive UTC."""
    local = datetime.combine(day + timedelta(days=1), time(), ZoneInfo(zone))
    return local.astimezone(UTC).replace(tzinfo=None)


def as_row(m: Mute) -> dict[str, Any]:
    """Ready for JSON; times in ISO 8601, UTC."""
    times = {
        name: t.isoformat() + "Z" if t else None
        for name, t in (("made", m.made), ("until", m.until), ("lifted", m.lifted))
    }
    return {
        "mute": m.mute,
        "vehicle": m.vehicle,
        "rule": m.rule,
        "item": m.item,
        "severity": m.severity,
        "by": m.by,
        "why": m.why,
        "lifted_by": m.lifted_by,
        "lifted_why": m.lifted_why,
    } | times


def _check(by: str, why: str) -> None:
    if not by.strip() or not why.strip():
        raise SettingsError("a mute needs a name and a reason", do="Give --by NAME and --why TEXT")


def _publish(store: Store) -> None:
    from herdbook.pipeline.store.publish import publish

    publish(store)
