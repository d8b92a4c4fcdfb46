"""Profiles held against logs in a scan: from first contact on with each new log until there are a dozen, so that it
does not matter which came first; when a profile changed; and again as logs come while a test is open. What comes of it
is written down; rules that read a contradicted role may not judge (pipeline/health/doubts.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import polars as pl

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.intake.ledger import touch
from herdbook.pipeline.lake.read import LogRef
from herdbook.pipeline.lake.role_views import view_of_part
from herdbook.pipeline.store.connection import insert, transaction, visit
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.contact.check import Checked, SeenLog, Word
from herdbook.pipeline.vehicle.contact.hold import VERSION, Contact, contact_of, seen
from herdbook.pipeline.vehicle.profile import Profile

if TYPE_CHECKING:
    import duckdb

MOST_LOGS = 12  # looked at, the newest of each vehicle first: seconds of work, and a majority of vehicles
MOST_NAMES = 3
MORE = 2  # while a test is open: again when there are so many times the logs
CHECK_COLUMNS = ("profile", "scan", "check", "item", "verdict", "tested", "found", "reason", "advice", "roles", "since")


def profiles_due(store: Store) -> list[str]:
    """Names of profiles to be held against logs now."""
    with visit(store.catalogue, read_only=True) as con:
        return [profile.name for profile in store.profiles() if _is_due(con, profile)]


def hold_against_logs(store: Store, scan: str, due: Sequence[str], run: Callable[..., Iterable[Any]]) -> list[str]:
    """Hold these profiles against logs of their own, write down what came of it and which logs could not be asked, and
    mark vehicles of a profile whose doubts changed for assessment. Returns the profiles held. run: as of a Runner
    (pipeline/night/steps.py); workers have the checks loaded. Raises: StoreError."""
    held = []
    for profile in store.profiles():
        with visit(store.catalogue, read_only=True) as con:
            logs = ask(con, __name__, "contact_logs", profile=profile.name) if profile.name in due else []
        if logs:
            asked = logs[:MOST_LOGS]
            looked_at = list(run(partial(_seen, store, profile.name), asked))
            found = [log for log in looked_at if log is not None]
            lost = [row["vehicle"] for row, log in zip(asked, looked_at, strict=True) if log is None]
            [contact] = run(partial(_contact, store, profile.name), [found]) if found else [None]
            with transaction(store.catalogue) as con:
                if contact is not None:
                    _note(con, profile, contact, scan, len(logs))
                    held.append(profile.name)
                if lost or contact is None:
                    words = unasked(profile.name, len(found) if contact is not None else 0, lost)
                    con.execute("INSERT INTO night_notes VALUES (?, ?)", [scan, words])
    return held


def unasked(profile: str, held: int, lost: Sequence[str]) -> str:
    """That a profile was not held against all logs that it was to be, a sentence without a full stop. held: against so
    many; 0: the next scan tries again. lost: the vehicles of the logs that could not be read."""
    logs = f"{held} log{'s' * (held != 1)}" if held else "no log"
    if not lost:
        return f"profile {profile} was held against {logs}: a process was lost over it; the next scan tries again"
    whose = ", ".join(sorted(set(lost))[:MOST_NAMES]) + (" and others" if len(set(lost)) > MOST_NAMES else "")
    what = f"{len(lost)} log{'s' * (len(lost) != 1)} of {whose} could not be read for it"
    again = "" if held else "; the next scan tries again"
    return f"profile {profile} was held against {logs}: {what}; herdbook store check tells which part is damaged{again}"


def _of_store(store: Store, name: str) -> Profile:
    return next(p for p in store.profiles() if p.name == name)


def _contact(store: Store, name: str, logs: Sequence[SeenLog]) -> Contact:
    return contact_of(_of_store(store, name), logs)


def _is_due(con: duckdb.DuckDBPyConnection, profile: Profile) -> bool:
    known = con.execute("SELECT count(*) FROM logs WHERE profile = ?", [profile.name]).fetchall()[0][0]
    in_lake = "SELECT count(*) FROM logs JOIN parts USING (log) WHERE profile = ?"
    held = con.execute(in_lake, [profile.name]).fetchall()[0][0]
    told = con.execute(
        "SELECT profile_hash, version, logs_known, settled FROM contacts WHERE profile = ?", [profile.name]
    ).fetchall()
    if not told:
        return bool(known)
    was, version, logs, settled = told[0]
    young = held <= MOST_LOGS and held != logs
    return (was, version) != (profile.hash, VERSION) or young or (not settled and known >= MORE * logs)


def _seen(store: Store, name: str, row: Row) -> SeenLog | None:
    """None for a log whose part is missing or damaged."""
    ref = LogRef(row["log"], row["part"], name, row["start_us"], row["end_us"], hash=row["part_hash"])
    profile = _of_store(store, name)
    try:
        part = store.lake.open(ref.part, ref.hash)
        return seen(view_of_part(part, ref, profile, row["vehicle"], float(row["known_share"])))
    except StoreError:
        if trouble := store.lake.trouble():
            raise trouble from None
    return None


def _note(con: duckdb.DuckDBPyConnection, profile: Profile, contact: Contact, scan: str, known: int) -> None:
    """Rows of the contact in place of the old ones; vehicles are touched where what may be judged changed."""
    old = con.execute(
        'SELECT "check", item, verdict, reason, roles, since FROM contact_checks WHERE profile = ?', [profile.name]
    ).fetchall()
    since = {(check, item, verdict): first for check, item, verdict, _, _, first in old}
    before = {role for _, _, verdict, _, roles, _ in old if verdict == Word.CONTRADICTED for role in roles}
    con.execute("DELETE FROM contact_checks WHERE profile = ?", [profile.name])
    con.execute("DELETE FROM contacts WHERE profile = ?", [profile.name])
    con.execute(
        "INSERT INTO contacts VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [profile.name, profile.hash, VERSION, scan, known, contact.logs, contact.vehicles, contact.settled],
    )
    rows = [_row(profile.name, scan, c, since.get((c.check, c.item, c.verdict.value), scan)) for c in contact.checked]
    insert(con, "contact_checks", pl.DataFrame(rows, schema_overrides={"roles": pl.List(pl.String)}))
    if before != set(contact.doubts):
        found = con.execute("SELECT DISTINCT vehicle FROM logs WHERE profile = ? ORDER BY 1", [profile.name]).fetchall()
        touch(con, [vehicle for (vehicle,) in found])


def _row(profile: str, scan: str, c: Checked, since: str) -> dict[str, object]:
    values = (profile, scan, c.check, c.item, c.verdict.value, c.tested, c.found, c.reason, c.do, list(c.roles), since)
    return dict(zip(CHECK_COLUMNS, values, strict=True))
