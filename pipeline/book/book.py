"""The service book is read and written here. Entries are added whole or not at all, and none is changed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import polars as pl

from herdbook.pipeline.book.entry import TYPED, Draft, Entry, Kind, moment
from herdbook.pipeline.book.refusals import Refusal, Standing, refusals
from herdbook.pipeline.errors import NotKnownError, SettingsError, StoreError
from herdbook.pipeline.store.connection import insert, transaction, visit
from herdbook.pipeline.store.statements import ask, has
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import utc_now
from herdbook.pipeline.vehicle.problems import nearest

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


class NotShownError(StoreError):
    """What was entered stands in the book and could not be published; exit code of what stood in the way."""

    def __init__(self, why: StoreError | OSError, where: object) -> None:
        super().__init__(
            f"it is entered in the service book, but no page shows it yet: {why}",
            where,
            "When that is mended, run `herdbook store publish`, or enter it again: nothing stands twice",
        )
        self.why = why
        self.exit_code = why.exit_code if isinstance(why, StoreError) else StoreError.exit_code

    def __reduce__(self) -> Any:
        return NotShownError, (self.why, self.where)


def entries(con: DuckDBPyConnection, vehicle: str | None = None, as_of: datetime | None = None) -> list[Entry]:
    """Entries of one vehicle, or of all, the oldest event first; also those that no longer hold. as_of: naive UTC."""
    if not has(con, "service_book"):  # published by an older Herdbook
        return []
    return [Entry(**row) for row in ask(con, __name__, "entries", vehicle=vehicle, as_of=as_of)]


def entered(con: DuckDBPyConnection) -> list[Entry]:
    """As entries(), of all vehicles, where the answer would be wrong without the book: a copy that has none is no empty
    book. Raises: StoreError."""
    if not has(con, "service_book"):
        what = "fleet.duckdb was published by an older Herdbook and knows no service book, whatever was entered"
        raise StoreError(what, do="Run `herdbook store publish`, then ask again")
    return entries(con)


def zone_for(store: Store, vehicle: str) -> ZoneInfo:
    """In which days of this vehicle are written. Raises: NotKnownError for a vehicle that the store does not have."""
    known = zones(store)
    if vehicle not in known:
        raise NotKnownError(f"vehicle {vehicle!r} has no log and stands in no list", do=nearest(vehicle, known))
    return known[vehicle]


def zones(store: Store) -> dict[str, ZoneInfo]:
    """Of every vehicle that the book may speak of."""
    with visit(store.catalogue, read_only=True) as con:
        rows = ask(con, __name__, "vehicles")
    return {row["vehicle"]: ZoneInfo(row["zone"] or store.settings.zone) for row in rows}


def check(store: Store, drafts: Sequence[Draft], now: datetime | None = None) -> tuple[list[Refusal], list[Draft]]:
    """What would be refused, and what would be entered: without what the book says already."""
    with visit(store.catalogue, read_only=True) as con:
        return _checked(con, drafts, now or utc_now())


def write(store: Store, drafts: Sequence[Draft], now: datetime | None = None) -> tuple[list[Refusal], list[Entry]]:
    """Enter all of them and publish; when one is refused, none is entered. What the book says already is no news.

    Returns: refusals, and the entries made. Raises: BusyError, StoreError; NotShownError when it stands in
    the book all the same.
    """
    from herdbook.pipeline.store.publish import publish

    moment_made = now or utc_now()
    with store.lock("the service book"):
        with transaction(store.catalogue) as con:
            refused, fresh = _checked(con, drafts, moment_made)
            if refused:
                return refused, []
            first = _next_number(con)
            made = [_entry(draft, first + i, moment_made) for i, draft in enumerate(fresh)]
            insert(con, "service_book", _frame(made))
        try:
            publish(store)  # also when nothing is new: the process that entered it may have been killed before this
        except (StoreError, OSError) as error:
            raise NotShownError(error, store.folder) from None
    return [], made


def _checked(con: DuckDBPyConnection, drafts: Sequence[Draft], now: datetime) -> tuple[list[Refusal], list[Draft]]:
    before = entries(con)
    ever = {entry.same for entry in before}
    held = {entry.same for entry in before if entry.holds or entry.kind == Kind.STRUCK}
    fresh: dict[tuple[object, ...], Draft] = {}
    for draft in drafts:  # a sheet that comes again does not bring back what was corrected; a person may
        if draft.same not in (held if draft.source == TYPED else ever):
            fresh.setdefault(draft.same, draft)
    standing = Standing(
        vehicles={row["vehicle"]: row["built"] for row in ask(con, __name__, "vehicles")},
        findings={(row["vehicle"], row["rule"], row["item"]) for row in ask(con, __name__, "findings_ever")},
        entries=before,
        now=now,
    )
    return refusals(list(fresh.values()), standing), list(fresh.values())


def _next_number(con: DuckDBPyConnection) -> int:
    return int(con.execute("SELECT coalesce(max(entry), 0) + 1 FROM service_book").fetchall()[0][0])


def _entry(draft: Draft, number: int, now: datetime) -> Entry:
    return Entry(
        entry=number,
        vehicle=draft.vehicle,
        kind=draft.kind.value,
        from_t=draft.from_t,
        to_t=draft.to_t,
        zone=draft.zone,
        part=draft.part,
        serial=draft.serial,
        batch=draft.batch,
        supplier=draft.supplier,
        rule=draft.rule,
        item=draft.item,
        outcome=draft.outcome,
        said=draft.said,
        made_by=draft.by,
        made_t=now,
        source=draft.source,
        corrects=draft.corrects,
        holds=draft.kind is not Kind.STRUCK,
    )


def _frame(made: Sequence[Entry]) -> pl.DataFrame:
    names = [name for name in Entry.__slots__ if name != "holds"]
    whole, text, time = pl.Int64(), pl.String(), pl.Datetime("us")
    types = {"entry": whole, "corrects": whole, "from_t": time, "to_t": time, "made_t": time}
    schema = {name: types.get(name, text) for name in names}
    return pl.DataFrame([[getattr(e, name) for name in names] for e in made], schema=schema, orient="row")


def struck(store: Store, number: int, *, by: str, why: str, now: datetime | None = None) -> Draft:
    """What strikes an entry out. Raises: NotKnownError, SettingsError."""
    with visit(store.catalogue, read_only=True) as con:
        found = [entry for entry in entries(con) if entry.entry == number]
    if not found:
        raise NotKnownError(f"the service book has no entry {number}", do="See: herdbook book VEHICLE")
    if not found[0].holds:
        raise SettingsError(f"entry {number} holds no longer", do="See: herdbook book VEHICLE --all")
    t = (now or utc_now()).replace(second=0, microsecond=0)
    start, end = moment(f"{t:%Y-%m-%d %H:%M}Z", ZoneInfo("UTC"))
    return Draft(
        place="the entry",
        vehicle=found[0].vehicle,
        kind=Kind.STRUCK,
        from_t=start,
        to_t=end,
        zone=found[0].zone,
        by=by.strip(),
        said=why.strip(),
        corrects=number,
    )
