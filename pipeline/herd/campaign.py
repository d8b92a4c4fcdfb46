"""Did a campaign help? A figure of the vehicles that got it, before and after, less that of those that did not.

A campaign is an entry of the service book, or a firmware that a bus named after another. Controls are vehicles of the
same types that got it never, or not within the time looked at. The same is done for dates before, at which nothing
happened: where the two went apart then too, no effect can be told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Generic, TypeVar

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import Kind, day_of
from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.health.herd_figures import Figure
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.science.before_after import Effect, effect
from herdbook.pipeline.science.count_effect import CountEffect
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.times import EPOCH

if TYPE_CHECKING:
    import duckdb

FEWEST = 5  # vehicles with the campaign, and without (engineering choice)
EACH = 3  # values before, and after, of a vehicle that counts (engineering choice)
PLACEBOS = 3  # dates before: each needs as long a record again, and leaves the others less of SURE (engineering choice)
SURE = 0.05  # of all placebos together, and what an interval of 95 % leaves
Found = TypeVar("Found", Effect, CountEffect)


@dataclass(frozen=True, slots=True)
class Placebo(Generic[Found]):
    """The same, as if it had been done so many days earlier."""

    days_before: float
    effect: Found


def went_apart(placebos: Sequence[Placebo[Found]]) -> bool:
    """Whether a placebo shows an effect, with the chance of all of them together held to SURE."""
    return any(p.effect.p < SURE / len(placebos) for p in placebos)


def too_few(others: int, found: Found | None, have: str) -> str:
    """Why so few vehicles tell nothing, a sentence; "" where they are enough. others: without it, of the types. have:
    what a vehicle must have to count in `found`, with its verb."""
    if others < FEWEST:
        return (
            f"not enough to say: {counted(others, 'vehicle')} of the type without it, and {FEWEST} are needed as "
            "controls"
        )
    if found is None or found.treated < FEWEST or found.controls < FEWEST:
        these = f"{found.treated} with and {found.controls} without it" if found else "too few"
        return f"not enough to say: {these} {have}"
    return ""


@dataclass(frozen=True, slots=True)
class CampaignEffect:
    """got: vehicles that got it, between the days first and last. until: to when all are watched. others: vehicles of
    their types without it. effect: None where nothing can be reckoned. placebos: as far as there are values enough
    before."""

    what: str
    known_by: str
    figure: Figure
    days: float
    got: int
    first: str
    last: str
    until: datetime
    others: int
    effect: Effect | None
    placebos: tuple[Placebo[Effect], ...]

    @property
    def apart(self) -> bool:
        """Whether those with and without it went apart before it."""
        return went_apart(self.placebos)

    @property
    def words(self) -> str:
        found, have = self.effect, f"have {EACH} values before and after within {self.days:.0f} days"
        if (few := too_few(self.others, found, have)) or found is None:
            return few
        if self.apart:
            return "cannot be told: those with and without it went apart before it already"
        if found.low <= 0 <= found.high:
            return "no more than chance may give"
        way = "lower" if found.effect < 0 else "higher"
        good = (found.effect < 0) != self.figure.falls
        doubt = "" if self.placebos else "; whether they went alike before, no values show"
        return f"{way} with it than without: {'better' if good else 'worse'}{doubt}"


def campaign_effect(
    con: duckdb.DuckDBPyConnection, what: str, figure: Figure, *, days: float = 60.0, until: datetime
) -> CampaignEffect:
    """what: words of the campaign's entries, or a firmware of the controller. Raises: NotKnownError."""
    got = campaign_dates(con, what)
    dates = got.dates
    series = {
        row["vehicle"]: (row["profile"], np.array(row["days"], float), np.array(row["values"], float))
        for row in ask(con, __name__, "figure_values", figure=figure.metric, falls=figure.falls, until=until)
    }
    types = {series[v][0] for v in dates if v in series}
    herd = {v: (t, y) for v, (profile, t, y) in series.items() if profile in types}
    day = {v: (t - EPOCH) / timedelta(days=1) for v, t in dates.items()}
    found = _around(herd, day, days, 0.0)
    placebos = []
    for n in range(1, PLACEBOS + 1):
        earlier = _around(herd, day, days, n * days)
        if earlier is not None and earlier.treated >= FEWEST and earlier.controls >= FEWEST:
            placebos.append(Placebo(n * days, earlier))
    return CampaignEffect(
        what=what,
        known_by=got.known_by,
        figure=figure,
        days=days,
        got=len(dates),
        first=got.first,
        last=got.last,
        until=until,
        others=len([v for v in herd if v not in dates]),
        effect=found,
        placebos=tuple(placebos),
    )


@dataclass(frozen=True, slots=True)
class Got:
    """When each vehicle first got it (naive UTC), by what that is known, and the first and last day, as people wrote
    them: in the vehicle's zone, by the bus in UTC."""

    dates: Mapping[str, datetime]
    known_by: str
    first: str
    last: str


def _ends(days: Iterable[str]) -> tuple[str, str]:
    every = sorted(days)
    return every[0], every[-1]


def campaign_dates(con: duckdb.DuckDBPyConnection, what: str) -> Got:
    """Raises: NotKnownError, StoreError."""
    entries = [e for e in book.entered(con) if e.holds and e.kind in (Kind.CAMPAIGN, Kind.FIRMWARE)]
    booked: dict[str, tuple[datetime, str]] = {}
    for e in entries:
        if what.lower() in (e.said.lower(), e.serial.lower()) or (
            e.kind == Kind.CAMPAIGN and what.lower() in e.said.lower()
        ):
            booked.setdefault(e.vehicle, (e.from_t, e.zone))
    if booked:
        when = {vehicle: t for vehicle, (t, _) in booked.items()}
        return Got(when, "the service book", *_ends(day_of(t, zone) for t, zone in booked.values()))
    seen: dict[str, datetime] = {}
    before: set[str] = set()
    rows = ask(con, __name__, "firmware_since", component="controller_firmware")
    for row in rows:
        if row["version"] == what and row["vehicle"] in before:
            seen.setdefault(row["vehicle"], row["from_t"])
        before.add(row["vehicle"])
    if seen:
        ends = _ends(f"{t:%Y-%m-%d}" for t in seen.values())
        return Got(seen, "the firmware that the controller named", *ends)
    known = sorted({e.said or e.serial for e in entries} | {str(row["version"]) for row in rows})
    do = f"Known: {', '.join(known[:8])}" if known else "herdbook book add VEHICLE campaign --said ... enters one"
    raise NotKnownError(f"no campaign and no change of firmware is called {what!r}", do=do)


def _around(
    herd: Mapping[str, tuple[Floats, Floats]], day: Mapping[str, float], days: float, earlier: float
) -> Effect | None:
    """The effect as if it had been done so many days earlier than it was."""
    at: dict[float, int] = {}
    change, date = [], []
    for vehicle, true in day.items():
        moved = true - earlier
        if vehicle in herd and (found := _change(herd[vehicle], moved, days)) is not None:
            change.append(found)
            date.append(at.setdefault(moved, len(at)))
    rows = [[_control(herd[v], day.get(v), moved, moved + earlier + days, days) for v in sorted(herd)] for moved in at]
    if not rows:
        return None
    controls = np.array([[np.nan if v is None else v for v in row] for row in rows])
    return effect(np.array(change), np.array(date, dtype=np.int64), controls)


def _control(series: tuple[Floats, Floats], got: float | None, at: float, least: float, days: float) -> float | None:
    """None for a vehicle that got the campaign itself before the day `least`."""
    if got is not None and got < least:
        return None
    return _change(series, at, days)


def _change(series: tuple[Floats, Floats], at: float, days: float) -> float | None:
    """Mean after less mean before; None with too few values on a side. What was recorded on the day itself is left
    out: nobody knows whether before or after."""
    t, y = series
    before, after = y[_within(t, at - days, at)], y[_within(t, at + 1.0, at + days)]
    if before.size < EACH or after.size < EACH:
        return None
    return float(after.mean() - before.mean())


def _within(t: Floats, a: float, b: float) -> Sequence[int] | slice:
    return slice(int(np.searchsorted(t, a)), int(np.searchsorted(t, b)))
