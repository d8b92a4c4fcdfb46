"""Which sessions are compared: before and after a day, a minute or an entry of the service book, or of two vehicles.

What cannot be told apart is on neither side: of an entry that says a day and no minute, the sessions of that day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from herdbook.pipeline.assess.kept_record import kept_records
from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Entry, moment
from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.herd.compare import Asked, Comparison, Nearest, Side, compare, nearest
from herdbook.pipeline.herd.repair_worked import Worked, figures_of, worked
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.own.load import own_of
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import micros
from herdbook.pipeline.vehicle.packs import pack_of, unmarked
from herdbook.pipeline.vehicle.problems import nearest as nearest_word


@dataclass(frozen=True, slots=True)
class TwoSides:
    """at: what parts the sides, as it was asked. entry: of the service book, where one does. from_t, to_t: what lies
    between them, naive UTC, or None for two vehicles. between: sessions that begin there. repairs: what the entry says
    was mended, held against the record. other_type: the vehicles' profiles, where they differ. about: the title of the
    rule or the name of the figure that was asked about, or "". nearest: to a difference, of those nobody asked about.
    """

    found: Comparison
    at: str = ""
    entry: Entry | None = None
    from_t: datetime | None = None
    to_t: datetime | None = None
    between: int = 0
    repairs: tuple[Worked, ...] = ()
    other_type: tuple[str, str] | None = None
    about: str = ""
    nearest: Nearest | None = None


def vehicles_apart(store: Store, first: str, second: str, about: str = "") -> TwoSides:
    """Two vehicles over all that is on record of them. about: a rule or a figure that is asked about beforehand.

    Raises: NotKnownError, SettingsError."""
    if first == second:
        raise SettingsError(f"{first} stands on both sides", do=f"Name another, or say when: compare {first} --at DATE")
    profiles = [_known(store, name) for name in (first, second)]
    asked, about = _about(store, about)
    with store.read() as con:
        found = compare(con, Side(first, first), Side(second, second), asked)
    types = (profiles[0], profiles[1]) if profiles[0] != profiles[1] else None
    return TwoSides(found, other_type=types, about=about, nearest=nearest(found, either=True))


def before_and_after(store: Store, vehicle: str, at: str, about: str = "") -> TwoSides:
    """One vehicle before and after. at: 2026-03-04, 2026-03-04 14:30, or the number of an entry of its service book.
    about: a rule or a figure that is asked about beforehand, beside what the entry was to mend.

    Raises: NotKnownError, SettingsError, StoreError."""
    _known(store, vehicle)
    entry = _entry(store, vehicle, int(at.lstrip("#"))) if at.lstrip("#").isdecimal() else None
    if entry is not None:
        from_t, to_t = entry.from_t, entry.to_t
    else:
        try:
            from_t, to_t = moment(at, book.zone_for(store, vehicle))
        except ValueError as error:
            raise SettingsError(str(error), do=f"An entry is named by its number: herdbook book {vehicle}") from None
    repairs = _repairs(store, vehicle, entry) if entry is not None and entry.rule else ()
    of_it, about = _about(store, about)
    asked = _either(figures_mended(repairs), of_it)
    with store.read() as con:
        inside = ask(con, __name__, "compared_sessions", **Side(vehicle, "", from_t, to_t).given)
        sides = Side(vehicle, "before", None, from_t), Side(vehicle, "after", to_t, None)
        found = compare(con, *sides, asked)
    between = sum(row["sessions"] for row in inside)
    close = nearest(found, either=False)
    return TwoSides(found, at.strip(), entry, from_t, to_t, between, repairs, about=about, nearest=close)


def _known(store: Store, vehicle: str) -> str:
    """Its profile."""
    with store.read() as con:
        rows = dict(con.execute("SELECT vehicle, profile FROM vehicles ORDER BY vehicle").fetchall())
    if vehicle not in rows:
        raise NotKnownError(f"vehicle {vehicle!r} has no log", do=nearest_word(vehicle, rows))
    return str(rows[vehicle])


def _entry(store: Store, vehicle: str, number: int) -> Entry:
    with store.read() as con:
        found = [e for e in book.entered(con) if e.entry == number]
    see = f"See: herdbook book {vehicle} --all"
    if not found:
        raise NotKnownError(f"the service book has no entry {number}", do=see)
    if found[0].vehicle != vehicle:
        raise SettingsError(f"entry {number} is about {found[0].vehicle}", do=see)
    if not found[0].holds:
        raise SettingsError(f"entry {number} holds no longer", do=see)
    return found[0]


def _repairs(store: Store, vehicle: str, entry: Entry) -> tuple[Worked, ...]:
    rule = own_of(store).judging_rules().get(entry.rule)
    record = next(kept_records(store, [vehicle]), None)
    if rule is None or record is None:
        return ()
    from_us, to_us = (micros(t) for t in (entry.from_t, entry.to_t))
    return tuple(worked(record, rule, entry.item, from_us, to_us))


def figures_mended(repairs: tuple[Worked, ...]) -> Asked | None:
    """The figures that tell what the repair was to mend; of a pack, group or side, its own where there is one."""
    if not repairs:
        return None
    names = figures_of(repairs[0].rule)
    mended = [pack_of(w.item) for w in repairs]

    def asked(name: str, item: str) -> bool:
        pack, plain = unmarked(name)
        items = {of_it for number, of_it in mended if number in (0, pack)}
        words = {word for of_it in items for word in of_it.split()}
        return plain in names and bool(items) and ("" in items or item in ("", *words))

    return asked


def _about(store: Store, about: str) -> tuple[Asked | None, str]:
    """The figures of a rule, or one figure by its name; the rule's title or that name. Raises NotKnownError."""
    if not about:
        return None, ""
    own = own_of(store)
    rule = own.judging_rules().get(about)
    if rule is not None:
        names = figures_of(rule)
        return lambda name, item: unmarked(name)[1] in names, rule.title
    figures = {name for one in {**all_sets(), **own.sets}.values() for name in one.gives}
    if unmarked(about)[1] not in figures:
        do = nearest_word(about, [*own.judging_rules(), *figures])
        raise NotKnownError(f"{about!r} is neither a rule nor a figure", do=do)
    return lambda name, item: name == about, about


def _either(one: Asked | None, other: Asked | None) -> Asked | None:
    if one is None or other is None:
        return one or other
    return lambda name, item: one(name, item) or other(name, item)
