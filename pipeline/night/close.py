"""The night's own entries in a store's catalogue: closing a night, reading its list, remembering messages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from herdbook.pipeline.night.changes import ChangeList, read_changes
from herdbook.pipeline.night.silence import close_night
from herdbook.pipeline.store.connection import connect, transaction
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import utc_now


def close(store: Store, scan: str) -> None:
    """Write down what `scan` has to tell; safe to repeat. Before publication, so that readers see it too."""
    with transaction(store.catalogue) as con:
        close_night(con, scan)


def last_night(store: Store, quiet_days: float | None = None, scan: str = "") -> ChangeList | None:
    """The change list of a closed night, the newest when scan is empty; None when there is none."""
    con = connect(store.catalogue, read_only=True)
    try:
        return read_changes(con, scan, quiet_days)
    finally:
        con.close()


def note_steps(store: Store, scan: str, seconds: Mapping[str, float]) -> None:
    """Write down where a scan's time went; safe to repeat. Noted after publication, it is read a scan later."""
    with transaction(store.catalogue) as con:
        for step, spent in seconds.items():
            con.execute("INSERT OR REPLACE INTO scan_steps VALUES (?, ?, ?)", [scan, step, spent])


@dataclass(frozen=True, slots=True)
class Messages:
    """The ledger of messages, kept in the catalogue (see pipeline/night/messages.py for what the states mean)."""

    store: Store

    def claim(self, by_scan: str, target: str) -> str:
        with transaction(self.store.catalogue) as con:
            row = con.execute(
                "SELECT state FROM messages WHERE by_scan = ? AND target = ?", [by_scan, target]
            ).fetchone()
            if row is None:
                con.execute("INSERT INTO messages VALUES (?, ?, 'sending', 1, ?, '')", [by_scan, target, utc_now()])
            elif row[0] != "sent":
                con.execute(
                    "UPDATE messages SET state = 'sending', tries = tries + 1, last_t = ? "
                    "WHERE by_scan = ? AND target = ?",
                    [utc_now(), by_scan, target],
                )
        return str(row[0]) if row else ""

    def settle(self, by_scan: str, target: str, sent: bool, detail: str) -> None:
        state = "sent" if sent else "failed"
        with transaction(self.store.catalogue) as con:
            con.execute(
                "UPDATE messages SET state = ?, detail = ?, last_t = ? WHERE by_scan = ? AND target = ?",
                [state, detail, utc_now(), by_scan, target],
            )
