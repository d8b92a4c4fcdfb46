"""Did a campaign make repairs, complaints or findings rarer? Counts before and after, with it and without it.

Who got it, and who stands beside them, is as in campaign.py; so are the dates before, at which nothing was done. What
happened less than a day before or after the campaign counts on neither side: an entry may name the day alone, and begin
with it, so that nobody knows what came first. Repairs and complaints are held against the days on which the workshop's
book was kept and the vehicle not scrapped; findings against the days with a record, since a vehicle that leaves no log
has none. A thing found of several groups on one day is one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from math import inf, isnan
from typing import TYPE_CHECKING, Protocol

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Entry, Kind
from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.herd.campaign import FEWEST, PLACEBOS, Placebo, campaign_dates, too_few, went_apart
from herdbook.pipeline.herd.returns import WORKSHOP, came_back
from herdbook.pipeline.science.count_effect import CountEffect, Counts, count_effect
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.times import EPOCH
from herdbook.pipeline.vehicle.problems import nearest

if TYPE_CHECKING:
    import duckdb

REPAIRS, COMPLAINTS, FINDINGS = "repairs", "complaints", "findings"


@dataclass(frozen=True, slots=True)
class CampaignCounts:
    """counted: what, in words. got: vehicles that got it, between first and last; watched: those of them that have a
    record. others: vehicles of their types without it. effect: None where nothing can be reckoned. placebos: as far as
    enough are watched before."""

    what: str
    known_by: str
    counted: str
    days: float
    got: int
    first: str
    last: str
    until: datetime
    watched: int
    others: int
    effect: CountEffect | None
    placebos: tuple[Placebo[CountEffect], ...]

    @property
    def apart(self) -> bool:
        """Whether those with and without it went apart before it."""
        return went_apart(self.placebos)

    @property
    def words(self) -> str:
        found = self.effect
        if not self.watched:
            return "not enough to say: of the vehicles with it, nothing that could be counted is on record"
        watched = f"are watched before and after within {self.days:.0f} days"
        if (few := too_few(self.others, found, watched)) or found is None:
            return few
        if isnan(found.ratio) or (found.low == 0 and found.high == inf):
            side = "with" if isnan(found.change) else "without"
            return f"not enough to say: too few {self.counted} among those {side} it"
        if self.apart:
            return "cannot be told: those with and without it went apart before it already"
        if found.low <= 1 <= found.high:
            return "no more than chance may give"
        doubt = "" if self.placebos else "; whether they went alike before, no record shows"
        return f"{'rarer' if found.ratio < 1 else 'more often'} with it than without{doubt}"


class _Watch(Protocol):
    def __call__(self, a: float, b: float) -> float: ...


@dataclass(frozen=True, slots=True)
class _Days:
    """Watched on single days, in order."""

    days: Floats

    def __call__(self, a: float, b: float) -> float:
        return float(np.searchsorted(self.days, b) - np.searchsorted(self.days, a))


@dataclass(frozen=True, slots=True)
class _Span:
    """Watched from day to day."""

    start: float
    end: float

    def __call__(self, a: float, b: float) -> float:
        return max(0.0, min(b, self.end) - max(a, self.start))


@dataclass(frozen=True, slots=True)
class _Seen:
    """Of one vehicle. events: in days since 1970, in order; one a day."""

    type: str
    watched: _Watch
    events: Floats

    def around(self, at: float, days: float) -> Floats | None:
        """Events before and after, time watched before and after; None where a side was not watched."""
        sides = ((at - days, at - 1.0), (at + 1.0, at + days))
        watched = [self.watched(a, b) for a, b in sides]
        if min(watched) <= 0:
            return None
        seen = [float(np.searchsorted(self.events, b) - np.searchsorted(self.events, a)) for a, b in sides]
        return np.array([*seen, *watched])


def campaign_counts(
    con: duckdb.DuckDBPyConnection,
    what: str,
    counted: str,
    *,
    part: str = "",
    days: float = 60.0,
    until: datetime,
    rules: Sequence[str] = (),
) -> CampaignCounts:
    """what: as for campaign_effect. counted: repairs (part: only of this kind), complaints, findings, or one of rules.
    until: to when the herd is watched. Raises: NotKnownError, StoreError."""
    got = campaign_dates(con, what)
    dates = got.dates
    herd, named = _herd(con, counted, part, until, rules)
    types = {herd[v].type for v in dates if v in herd}
    herd = {v: seen for v, seen in herd.items() if seen.type in types}
    day = {v: _day(t) for v, t in dates.items()}
    placebos = []
    for n in range(1, PLACEBOS + 1):
        earlier = _effect(herd, day, days, n * days)
        if earlier and earlier.treated >= FEWEST and earlier.controls >= FEWEST and not isnan(earlier.ratio):
            placebos.append(Placebo(n * days, earlier))
    return CampaignCounts(
        what=what,
        known_by=got.known_by,
        counted=named,
        days=days,
        got=len(dates),
        first=got.first,
        last=got.last,
        until=until,
        watched=len([v for v in herd if v in dates]),
        others=len([v for v in herd if v not in dates]),
        effect=_effect(herd, day, days, 0.0),
        placebos=tuple(placebos),
    )


def _herd(
    con: duckdb.DuckDBPyConnection, counted: str, part: str, until: datetime, rules: Sequence[str]
) -> tuple[dict[str, _Seen], str]:
    if counted in (REPAIRS, COMPLAINTS):
        return _by_book(con, counted, part, until), f"{counted} of the {part}" if part else counted
    told = ask(con, __name__, "newly_told")
    known = {row["rule"] for row in told} | set(rules)
    if counted != FINDINGS and counted not in known:
        near = nearest(counted, known)
        do = f"Say {REPAIRS}, {COMPLAINTS}, {FINDINGS}, or a rule of herdbook rules"
        do += f". {near}" if near.startswith("Did") else ""
        raise NotKnownError(f"{counted!r} is nothing that is counted", do=do)
    events: dict[str, set[float]] = {}
    for row in told:
        if counted in (FINDINGS, row["rule"]):
            events.setdefault(row["vehicle"], set()).add(float((row["t"] - EPOCH) // timedelta(days=1)))
    herd = {
        row["vehicle"]: _Seen(row["type"], _Days(np.array(row["days"], float)), _sorted(events.get(row["vehicle"], ())))
        for row in ask(con, __name__, "record_days")
    }
    return herd, "new service and stop-use findings" if counted == FINDINGS else f"new findings of {counted}"


def _by_book(con: duckdb.DuckDBPyConnection, counted: str, part: str, until: datetime) -> dict[str, _Seen]:
    entries = [e for e in book.entered(con) if e.holds and e.from_t < until]
    kept = [e.from_t for e in entries if e.kind in WORKSHOP]
    if not kept:
        return {}
    happened = {v: t for (v, _), t in came_back(entries, part).items()} if counted == REPAIRS else _complaints(entries)
    scrapped = {e.vehicle: e.from_t for e in entries if e.kind == Kind.SCRAPPED}
    since, herd = min(kept), {}
    for row in ask(con, __name__, "watched_vehicles"):
        name = row["vehicle"]
        if row["began"] is not None:
            start, end = max(since, datetime.combine(row["began"], time())), min(until, scrapped.get(name, until))
            herd[name] = _Seen(row["type"], _Span(_day(start), _day(end)), _sorted(map(_day, happened.get(name, ()))))
    return herd


def _complaints(entries: Sequence[Entry]) -> dict[str, list[datetime]]:
    """When, by vehicle; one a day."""
    seen: dict[tuple[str, str], datetime] = {}
    for e in entries:
        if e.kind == Kind.COMPLAINT:
            seen.setdefault((e.vehicle, e.day), e.from_t)
    found: dict[str, list[datetime]] = {}
    for (vehicle, _), t in seen.items():
        found.setdefault(vehicle, []).append(t)
    return found


def _effect(herd: Mapping[str, _Seen], day: Mapping[str, float], days: float, earlier: float) -> CountEffect | None:
    """As if it had been done so many days earlier. A control stands for every date by as much as vehicles have it."""
    treated, dates = [], []
    for vehicle, true in day.items():
        found = herd[vehicle].around(true - earlier, days) if vehicle in herd else None
        if found is not None:
            treated.append(found)
            dates.append(true)
    if not treated:
        return None
    controls = []
    for vehicle, seen in herd.items():
        own = day.get(vehicle)
        sides = [seen.around(t - earlier, days) for t in dates if own is None or own >= t + days]
        if valid := [s for s in sides if s is not None]:
            controls.append(np.sum(valid, axis=0) / len(dates))
    if not controls:
        return None
    rows = np.array([*treated, *controls])
    got = np.arange(len(rows)) < len(treated)
    return count_effect(Counts(rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3], got))


def _day(t: datetime) -> float:
    """Days since 1970, with their parts."""
    return (t - EPOCH) / timedelta(days=1)


def _sorted(days: Iterable[float]) -> Floats:
    return np.array(sorted(days), dtype=float)
