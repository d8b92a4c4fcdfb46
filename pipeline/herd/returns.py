"""How often vehicles come back, by age: the mean number of repairs a vehicle, and how many to expect next.

What counts is one a vehicle and day: a repair, a return, or a part taken out that was not said to be sound. A vehicle
is watched from the day on which the workshop's book begins (before it nobody entered anything), or from its own first
use where that is later, to the end of the whole record (horizon.py) or to its scrapping. Nothing of this needs a
failure to be the first of its vehicle.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Entry, Kind, Removed
from herdbook.pipeline.book.parts import stays
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.herd import clocks
from herdbook.pipeline.science.count_forecast import CountForecast, count_ahead
from herdbook.pipeline.science.recurrence import MeanCumulative, mean_cumulative
from herdbook.pipeline.science.survival import Lives, SurvivalCurve, Weibull, curve, weibull
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

BY = ("batch", "type", "site", "firmware", "supplier", "part")
WORKSHOP = (Kind.COMPLAINT, Kind.INSPECTION, Kind.REPAIR, Kind.RETURNED, Kind.REMOVED)  # written by who repairs
AT_RISK = 5  # vehicles watched, from which age on lives up to the first time are reckoned (engineering choice)
FEWEST_FIRST = 3  # vehicles that came back, for a Weibull life up to the first time: as for parts


@dataclass(frozen=True, slots=True)
class GroupReturns:
    """One group. watched: on the clock, over all. events: times it came back, of `back` vehicles. first: up to the
    first time in the watch (Nelson-Aalen and Kaplan-Meier) of those alive at the age `youngest`, with fit, its Weibull
    life or None. ahead: of those still watched, None where none is. spares: what to hold so that so many are enough
    with the asked certainty."""

    group: str
    vehicles: int
    watched: float
    events: int
    back: int
    youngest: float
    curve: MeanCumulative
    first: SurvivalCurve
    fit: Weibull | None
    ahead: CountForecast | None
    spares: int


@dataclass(frozen=True, slots=True)
class Returns:
    """days: of the forecast. level: with which spares are enough. since: from when the workshop's book is watched.
    left_out: vehicles without a day, or without record on the clock. outside: events outside every watch."""

    part: str
    by: str
    clock: str
    days: int
    level: float
    since: datetime
    until: datetime
    groups: tuple[GroupReturns, ...]
    left_out: int
    outside: int


@dataclass(frozen=True, slots=True)
class Watch:
    """A stretch of a vehicle's life in one group, in time."""

    vehicle: str
    group: str
    from_t: datetime
    to_t: datetime


def returns(
    con: duckdb.DuckDBPyConnection,
    part: str = "",
    *,
    by: str = "",
    clock: str = clocks.DAYS,
    days: int = 90,
    level: float = 0.95,
    until: datetime,
) -> Returns | None:
    """Of all repairs and returns, or of one kind of part ("pack"; "motor": left and right alike). until: naive UTC.

    None when the book has no such event. Raises: SettingsError for what cannot be asked."""
    if by and by not in BY:
        raise SettingsError(f"vehicles cannot be told apart by {by!r}", do=f"Say --by {', '.join(BY[:-1])} or {BY[-1]}")
    if by == "supplier" and not part:
        raise SettingsError(
            "a supplier belongs to a part", do="Name the part: herdbook herd returns pack --by supplier"
        )
    clocks.checked(clock)
    entries = [e for e in book.entered(con) if e.holds and e.from_t < until]
    happened = came_back(entries, part, by)
    if not any(happened.values()):
        return None
    since = min(e.from_t for e in entries if e.kind in WORKSHOP) - timedelta(days=1)  # so that the first one counts
    every_vehicle = ask(con, __name__, "watched_vehicles")
    herd = {row["vehicle"]: row for row in every_vehicle if row["began"] is not None}
    scrapped = {e.vehicle: e.from_t for e in entries if e.kind == Kind.SCRAPPED}
    began = {v: datetime.combine(row["began"], time()) for v, row in herd.items()}
    whole = {
        v: (max(since, began[v]), min(until, scrapped.get(v, until)))
        for v in herd
        if max(since, began[v]) < min(until, scrapped.get(v, until))
    }
    use = clocks.used(con, clock)
    watches = _watches(con, by, part, herd, whole, entries)

    def at(vehicle: str, t: datetime) -> float:
        return clocks.age(clock, began[vehicle], use.get(vehicle), t)

    def ahead(w: Watch) -> float:
        return days * clocks.a_day(clock, use.get(w.vehicle)) if w.to_t == until else 0.0

    watches = [w for w in watches if at(w.vehicle, w.to_t) > at(w.vehicle, w.from_t)]
    groups = _groups(watches, happened, by)
    made = [_group(name, own, found, at, ahead, level) for name, own, found in groups if own]
    counted = {w.vehicle for w in watches}
    every = sum(len(times) for times in happened.values())
    outside = every - sum(g.events for g in made)
    return Returns(part, by, clock, days, level, since, until, tuple(made), len(every_vehicle) - len(counted), outside)


Happened = dict[tuple[str, str], list[datetime]]  # by vehicle and what tells events apart (a part, or "")


def came_back(entries: Sequence[Entry], part: str, by: str = "") -> Happened:
    """When, by vehicle. One a vehicle and day; by part: one a vehicle, part and day."""
    seen: dict[tuple[str, str, str], datetime] = {}
    for e in entries:
        failed = e.kind == Kind.REMOVED and e.outcome != Removed.SOUND
        counts = failed or e.kind == Kind.REPAIR or (e.kind == Kind.RETURNED and not part)
        if not counts or (part and not (e.part == part or e.part.split(" ")[0] == part)):
            continue
        what = (e.part or "not said") if by == "part" else ""
        seen.setdefault((e.vehicle, what, e.day), e.from_t)
    found: Happened = {}
    for (vehicle, what, _), t in seen.items():
        found.setdefault((vehicle, what), []).append(t)
    return found


def _watches(
    con: duckdb.DuckDBPyConnection,
    by: str,
    part: str,
    herd: Mapping[str, Row],
    whole: Mapping[str, tuple[datetime, datetime]],
    entries: Sequence[Entry],
) -> list[Watch]:
    if by in ("", "part"):
        return [Watch(v, "all", a, b) for v, (a, b) in whole.items()]
    if by in ("type", "site") or (by == "batch" and not part):
        return [Watch(v, str(herd[v][by]) or "not said", a, b) for v, (a, b) in whole.items()]
    if by == "firmware":
        changes: dict[str, list[tuple[datetime, str]]] = {}
        for row in ask(con, __name__, "firmware_since", component="controller_firmware"):
            changes.setdefault(row["vehicle"], []).append((row["from_t"], str(row["version"])))
        return [w for v, span in whole.items() for w in _pieces(v, span, changes.get(v, []), "not seen yet")]
    sat: dict[str, list[tuple[datetime, str]]] = {}
    for stay in stays(entries):
        if stay.part == part or stay.part.split(" ")[0] == part:
            sat.setdefault(stay.vehicle, []).append((stay.from_t, str(getattr(stay, by)) or "not said"))
    return [w for v, span in whole.items() for w in _pieces(v, span, sorted(sat.get(v, [])), "before the book")]


def _pieces(
    vehicle: str, span: tuple[datetime, datetime], changes: Sequence[tuple[datetime, str]], before: str
) -> Iterator[Watch]:
    """A watch cut where what tells groups apart changed. What is taken out on a day ends what began before it."""
    at, group = span[0], before
    for t, value in changes:
        cut = min(max(t, span[0]), span[1])
        if cut > at:
            yield Watch(vehicle, group, at, cut)
        at, group = cut, value
    if at < span[1]:
        yield Watch(vehicle, group, at, span[1])


def _groups(watches: Sequence[Watch], happened: Happened, by: str) -> list[tuple[str, list[Watch], Happened]]:
    if by == "part":
        parts = sorted({what for _, what in happened})
        return [(p, list(watches), {key: t for key, t in happened.items() if key[1] == p}) for p in parts]
    names = sorted({w.group for w in watches})
    return [(name, [w for w in watches if w.group == name], happened) for name in names]


def _group(
    name: str,
    watches: Sequence[Watch],
    happened: Happened,
    at: Callable[[str, datetime], float],
    ahead: Callable[[Watch], float],
    level: float,
) -> GroupReturns:
    """at: the age of a vehicle at a moment. ahead: by how much a watch's clock goes on in the time of the forecast."""
    entry, exit, events, on = [], [], [], []
    times: dict[str, list[datetime]] = {}
    for (vehicle, _), found in happened.items():
        times.setdefault(vehicle, []).extend(found)
    for w in watches:
        a, b = at(w.vehicle, w.from_t), at(w.vehicle, w.to_t)
        entry.append(a)
        exit.append(b)
        inside = [at(w.vehicle, t) for t in times.get(w.vehicle, []) if w.from_t < t <= w.to_t]
        events.append(np.clip(np.array(sorted(inside), dtype=float), np.nextafter(a, b), b))
        on.append(ahead(w))
    begin, end = np.array(entry), np.array(exit)
    lives, youngest = _first(begin, end, events)
    go_on = np.array(on) > 0
    ends = end[go_on]
    forecast = count_ahead(begin, end, events, ends, ends + np.array(on)[go_on]) if go_on.any() else None
    return GroupReturns(
        group=name,
        vehicles=len({w.vehicle for w in watches}),
        watched=float(np.sum(end - begin)),
        events=sum(e.size for e in events),
        back=sum(e.size > 0 for e in events),
        youngest=youngest,
        curve=mean_cumulative(begin, end, events),
        first=curve(lives),
        fit=weibull(lives) if int(lives.failed.sum()) >= FEWEST_FIRST else None,
        ahead=forecast,
        spares=forecast.at_most(level) if forecast else 0,
    )


def _first(entry: Floats, exit: Floats, events: Sequence[Floats]) -> tuple[Lives, float]:
    """Lives up to the first event, and the age they are reckoned from: that from which on AT_RISK are watched. Before,
    one failure among few would bring the curve down for good."""
    ends = np.array([e[0] if e.size else b for e, b in zip(events, exit, strict=True)])
    failed = np.array([e.size > 0 for e in events], dtype=bool)
    start = float(np.sort(entry)[min(AT_RISK, entry.size) - 1])
    later = ends > start
    if not later.any():
        return Lives(entry, ends, failed), float(entry.min())
    return Lives(np.maximum(entry, start)[later], ends[later], failed[later]), start
