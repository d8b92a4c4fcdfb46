"""What a person said of a log that was given to the wrong vehicle: whose it is, or that it is to be forgotten.

Nothing that was said is deleted: the newest word on a log holds, histories quote it, and the same bytes coming again
under another name or with another sidecar do not undo it. A log that is forgotten stays where its file is.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.intake.identity import BY_A_PERSON, checked_name
from herdbook.pipeline.intake.ledger import OF_A_LOG, touch, withdraw
from herdbook.pipeline.store.connection import transaction, visit
from herdbook.pipeline.store.ledger_files import changed, forget_seen
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import micros, utc_now

if TYPE_CHECKING:
    import duckdb

FEWEST_DIGITS = 6  # of a log's SHA-256, to name it by


@dataclass(frozen=True, slots=True)
class Correction:
    """One row of the table corrections; times are naive UTC. to_vehicle None: the log is forgotten."""

    correction: int
    log: str
    name: str
    from_vehicle: str
    to_vehicle: str | None
    start_t: datetime
    end_t: datetime
    made_t: datetime
    made_by: str
    why: str


def corrections(store: Store) -> list[Correction]:
    """All that was ever said, the newest first."""
    with visit(store.catalogue, read_only=True) as con:
        return [Correction(**row) for row in ask(con, __name__, "corrections")]


def give(store: Store, log: str, vehicle: str, *, by: str, why: str, now: datetime | None = None) -> Correction:
    """The log is another vehicle's. log: its file name, or the first digits of its SHA-256.

    Both vehicles are judged again by the next scan. A forgotten log is taken in again then, where it still lies, and so
    is one in quarantine of which nothing, or too much, says whose it is.
    Raises: NotKnownError, SettingsError, BusyError.
    """
    try:
        vehicle = checked_name(vehicle, "vehicle")
    except ValueError as error:
        raise SettingsError(str(error), do="Write it as `herdbook fleet` does") from None
    return _correct(store, log, vehicle, by=by, why=why, now=now)


def forget(store: Store, log: str, *, by: str, why: str, now: datetime | None = None) -> Correction:
    """The log is nobody's: all that was made of it is taken out. Raises: as give()."""
    return _correct(store, log, None, by=by, why=why, now=now)


def _correct(store: Store, log: str, to: str | None, *, by: str, why: str, now: datetime | None) -> Correction:
    if not by.strip() or not why.strip():
        raise SettingsError("a correction needs a name and a reason", do='Add --by "..." and --why "..."')
    moment = now or utc_now()
    with store.lock("a correction"), transaction(store.catalogue) as con:
        about = _named(con, log)
        if about["vehicle"] == to and not about["refused"]:
            what = f"{about['name']} is {to}'s already" if to else f"{about['name']} is forgotten already"
            raise SettingsError(what, do="`herdbook correct` lists what was said of logs")
        given = {key: about[key] for key in ("log", "start_t", "end_t")} | {"from_vehicle": about["was"]}
        given |= {"file": about["name"], "to_vehicle": to, "made": moment, "by": by.strip(), "why": why.strip()}
        said = ask(con, __name__, "add_correction", **given)
        if about["refused"] and to is None:
            con.execute("DELETE FROM quarantine WHERE log = ?", [about["log"]])
        elif about["vehicle"] is None:
            forget_seen(con, "log", [about["log"]])  # the next scan takes it in again
        elif to is None:
            withdraw(con, [about["log"]], micros(moment))
        else:
            con.execute("UPDATE logs SET vehicle = ?, identity_by = ? WHERE log = ?", [to, BY_A_PERSON, about["log"]])
            changed(con, [about["log"]], OF_A_LOG)  # in files they lie by vehicle
        touch(con, sorted({v for v in (about["vehicle"], to) if v}))
    return Correction(**said[0])


def _named(con: duckdb.DuckDBPyConnection, text: str) -> Row:
    """The log meant. vehicle: whose it is now, None when it is forgotten; was: whose it was."""
    found = ask(con, __name__, "logs_named", text=text, digits=text.lower() if len(text) >= FEWEST_DIGITS else "-")
    if not found:
        raise NotKnownError(f"no log {text!r}", do="Name its file, or the first digits of its SHA-256")
    if len(found) > 1:
        shown = ", ".join(f"{row['log'][:12]} of {row['vehicle'] or 'nobody'}" for row in found[:5])
        raise NotKnownError(f"{len(found)} logs are called {text!r}", do=f"Name one by its digits: {shown}")
    return found[0]
