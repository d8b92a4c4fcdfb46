"""Entries held against the record: what cannot be, told by the row that says it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from herdbook.pipeline.book.entry import Draft, Entry, Kind, day_of, lacks
from herdbook.pipeline.vehicle.problems import nearest

Finding = tuple[str, str, str]  # vehicle, rule, item
AHEAD = timedelta(days=1)  # the clock of whoever enters something may be in another zone
INSTANT = timedelta(microseconds=1)
FIELDS = ("part", "serial", "batch", "supplier", "rule", "item", "outcome", "said")


@dataclass(frozen=True, slots=True)
class Refusal:
    """place: row or entry. why: what is wrong, and what to do."""

    place: str
    why: str


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known when entries come. vehicles: when each was built, or None. findings: that any scan ever told.
    now: naive UTC."""

    vehicles: Mapping[str, date | None]
    findings: set[Finding]
    entries: Sequence[Entry]
    now: datetime


def refusals(drafts: Sequence[Draft], standing: Standing) -> list[Refusal]:
    """Everything that is wrong, row by row; [] when all may be entered together."""
    found = [Refusal(draft.place, why) for draft in drafts for why in _alone(draft, standing)]
    instead: dict[int, str] = {}
    found += [
        Refusal(draft.place, f"entry {draft.corrects} is corrected by {other} already")
        for draft in drafts
        if draft.corrects is not None and (other := instead.setdefault(draft.corrects, draft.place)) != draft.place
    ]
    wrong = {refusal.place for refusal in found}
    doubtful = [draft for draft in drafts if draft.place in wrong and draft.kind in (Kind.FITTED, Kind.REMOVED)]
    seats = {(draft.vehicle, draft.part) for draft in doubtful}  # what sat there, only the corrected sheet will say
    serials = {draft.serial for draft in doubtful}
    sound = {draft.place: draft for draft in drafts if draft.place not in wrong}
    for refusal in _parts(list(sound.values()), standing):
        told = sound.get(refusal.place)
        if told is None or ((told.vehicle, told.part) not in seats and told.serial not in serials):
            found.append(refusal)
    return found


def _alone(draft: Draft, standing: Standing) -> Iterator[str]:
    """What is wrong with one entry, whatever others say."""
    if draft.vehicle not in standing.vehicles:
        do = nearest(draft.vehicle, standing.vehicles)
        yield f"vehicle {draft.vehicle!r} has no log and stands in no list. {do}"
        return
    if why := lacks(draft.kind, {name: getattr(draft, name) for name in FIELDS}):
        yield why
    if not draft.by:
        yield "nobody stands for it: say by whom"
    if draft.from_t > standing.now + AHEAD:
        yield f"{day_of(draft.from_t, draft.zone)} is still to come"
    built = standing.vehicles[draft.vehicle]
    if built is not None and day_of(draft.to_t - INSTANT, draft.zone) < built.isoformat():
        yield f"{day_of(draft.from_t, draft.zone)} is before {draft.vehicle} was built ({built})"
    if draft.rule:
        yield from _finding(draft, standing.findings)
    if draft.corrects is not None:
        yield from _corrected(draft, standing.entries)


def _finding(draft: Draft, findings: set[Finding]) -> Iterator[str]:
    of_vehicle = sorted({(rule, item) for vehicle, rule, item in findings if vehicle == draft.vehicle})
    if not any(rule == draft.rule and draft.item in ("", item) for rule, item in of_vehicle):
        told = ", ".join(f"{rule} ({item})" if item else rule for rule, item in of_vehicle) or "none"
        about = f"{draft.rule} ({draft.item})" if draft.item else draft.rule
        yield f"no scan ever told {about} of {draft.vehicle}. Told of it: {told}"


def _corrected(draft: Draft, entries: Sequence[Entry]) -> Iterator[str]:
    meant = [entry for entry in entries if entry.entry == draft.corrects]
    if not meant:
        yield f"there is no entry {draft.corrects} to correct"
    elif meant[0].vehicle != draft.vehicle:
        yield f"entry {draft.corrects} is about {meant[0].vehicle}: strike it there, and enter this one new"
    elif not meant[0].holds:
        yield f"entry {draft.corrects} was corrected or struck before"


@dataclass(frozen=True, slots=True)
class _Move:
    """A part put into a vehicle or taken out; place "" for one in the book already."""

    t: datetime
    zone: str
    number: int
    fitted: bool
    vehicle: str
    part: str
    serial: str
    place: str


def _parts(drafts: Sequence[Draft], standing: Standing) -> Iterator[Refusal]:
    """A part cannot sit in two vehicles, nor be taken out of where another one sits."""
    gone = {draft.corrects for draft in drafts}
    held = [e for e in standing.entries if e.holds and e.entry not in gone]
    where: dict[tuple[str, str], _Move] = {}  # (kind of part, serial) -> where it was fitted
    sits: dict[tuple[str, str], _Move] = {}  # (vehicle, part) -> what sits there
    for move in sorted(_moves(held, drafts), key=lambda m: (m.t, m.fitted, m.number)):  # out before in, within a day
        kind = move.part.split()[0]
        seat = sits.get((move.vehicle, move.part))
        if not move.fitted:
            if move.place and seat is not None and move.serial and seat.serial != move.serial:
                yield Refusal(move.place, f"{move.part} {move.serial} is not what sits there: {_since(seat)}")
            if seat is not None:
                where.pop((kind, seat.serial), None)
                del sits[move.vehicle, move.part]
            continue
        other = where.get((kind, move.serial))
        if other is not None and (other.vehicle, other.part) != (move.vehicle, move.part):
            blamed = move.place or other.place
            if blamed:
                why = f"{move.part} {move.serial} cannot sit in {move.vehicle} too: {_since(other)}"
                yield Refusal(blamed, f"{why}. Enter its removal first")
        if seat is not None:  # what is fitted takes the place of what sat there
            where.pop((kind, seat.serial), None)
        where[kind, move.serial] = sits[move.vehicle, move.part] = move


def _moves(held: Iterable[Entry], drafts: Iterable[Draft]) -> Iterator[_Move]:
    for e in held:
        if e.kind in (Kind.FITTED, Kind.REMOVED):
            yield _Move(e.from_t, e.zone, e.entry, e.kind == Kind.FITTED, e.vehicle, e.part, e.serial, "")
    for i, d in enumerate(drafts):
        if d.kind in (Kind.FITTED, Kind.REMOVED):
            yield _Move(d.from_t, d.zone, 10**12 + i, d.kind is Kind.FITTED, d.vehicle, d.part, d.serial, d.place)


def _since(move: _Move) -> str:
    return f"{move.part} {move.serial} is in {move.vehicle} since {day_of(move.t, move.zone)}"
