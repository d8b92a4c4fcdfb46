"""Where each vehicle's capacity, resistance, leak or drag is going, and when it reaches a limit, with intervals.

Series begin anew where the part was exchanged or repaired. All series of a type are fitted together
(science/trajectory.py): a vehicle with few values is drawn to its herd, one with many goes its own way. A date is said
at most as far ahead as the series is long, twice, and no further than a year: beyond, it is no more than a guess.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.herd_figures import Figure, limit_of
from herdbook.pipeline.herd.anew import began_anew
from herdbook.pipeline.science.bend import bend
from herdbook.pipeline.science.trajectory import Course, Crossing, Herd, Series, course, crossing, herd_model
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import EPOCH

if TYPE_CHECKING:
    import duckdb

LONGEST = 365.0  # days within which a date is said: a year's seasons; past it a line is carried on too far
AHEAD = 90.0  # days, unless asked otherwise: a quarter, in which a part can be ordered and fitted (engineering choice)
BENT = 0.01  # of p: one herd in a hundred that ages along lines is warned of


@dataclass(frozen=True, slots=True)
class VehicleCourse:
    """n values of one vehicle (and item: the one that comes to the limit first) from first to last. now, soon: the
    course with its 95 % ends at the newest value and `ahead` days later; reading: what a single reading may then be.
    None where there is not enough to say. limit: None for a figure without. horizon: days within which a date is said.
    """

    vehicle: str
    profile: str
    item: str
    n: int
    first: datetime
    last: datetime
    now: tuple[float, float, float] | None
    soon: tuple[float, float, float] | None
    reading: tuple[float, float] | None
    limit: float | None
    earliest: datetime | None
    likely: datetime | None
    latest: datetime | None
    passed: bool
    horizon: float
    in_herd: int

    @property
    def words(self) -> str:
        if self.now is None:
            return f"not enough to say: {self.n} value{'s' * (self.n != 1)} over {(self.last - self.first).days} days"
        if self.limit is None:
            return "no limit is set"
        if self.passed:
            return "its limit lies behind it"
        within = f"within {self.horizon:.0f} days"
        if self.earliest is None:
            return f"not {within}"
        begin = f"{self.earliest:%Y-%m-%d}"
        if self.likely is None:
            return f"not likely {within}; from {begin} on it may be"
        end = f"to {self.latest:%Y-%m-%d}" if self.latest else f"or later; not certain {within}"
        return f"likely on {self.likely:%Y-%m-%d} ({begin} {end})"


@dataclass(frozen=True, slots=True)
class Drawn:
    """For a picture: moments (days since 1970), values, and the line with its ends over record and forecast."""

    days: Floats
    values: Floats
    at: Floats
    line: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class Courses:
    """rows: soonest first, then by how near the limit is. herd: series behind what is common, by profile; 0: each
    vehicle stands alone. bends: sentences, by profile, where a line is not how they age. drawn: of the first vehicles,
    by (vehicle, item)."""

    figure: Figure
    ahead: float
    rows: tuple[VehicleCourse, ...]
    herd: Mapping[str, int]
    bends: Mapping[str, str]
    drawn: Mapping[tuple[str, str], Drawn]


def courses(
    con: duckdb.DuckDBPyConnection,
    figure: Figure,
    *,
    until: datetime,
    vehicle: str = "",
    limit: float | None = None,
    limits: Mapping[str, Mapping[str, float]] | None = None,
    ahead: float = AHEAD,
    draw: int = 0,
    most: int = 0,
) -> Courses:
    """limit: instead of the rule's. limits: those that profiles set, by profile. vehicle: only this one, among its
    herd. draw: how many to draw. most: only so many vehicles, those whose newest value is nearest to the limit; 0: all.
    """
    cut = began_anew(con, figure.of, until) if figure.of else {}
    by_type: dict[str, list[tuple[Row, Series]]] = {}
    for row in ask(con, __name__, "figure_courses", figure=figure.metric, until=until):
        since = _since(row, cut.get(row["vehicle"]))
        if since["days"]:
            by_type.setdefault(since["profile"], []).append((since, _series(since)))
    found: list[VehicleCourse] = []
    drawn: dict[tuple[str, str], Drawn] = {}
    models: dict[str, Herd | None] = {}
    for profile, own in by_type.items():
        model = models[profile] = herd_model([s for _, s in own])
        bar = limit if limit is not None else limit_of(figure, (limits or {}).get(profile))
        wanted = [(row, s) for row, s in own if not vehicle or row["vehicle"] == vehicle]
        if most:
            wanted = sorted(wanted, key=lambda pair: _nearness(pair[1], figure))[:most]
        made = [_course(row, s, model, figure, bar, ahead) for row, s in wanted]
        found += _worst_item(made, figure)
    found.sort(key=lambda c: _order(c, figure))
    series = {(row["vehicle"], row["item"]): (row, s) for own in by_type.values() for row, s in own}
    for c in [c for c in found if c.now is not None][:draw]:
        row, s = series[c.vehicle, c.item]
        drawn[c.vehicle, c.item] = _drawn(row, s, models[c.profile], c.horizon)
    sizes = {profile: model[0][1].units if model else 0 for profile, model in models.items()}
    bends = {profile: said for profile, own in by_type.items() if (said := _bends([s for _, s in own], figure))}
    return Courses(figure, ahead, tuple(found), sizes, bends, drawn)


def _bends(herd: list[Series], figure: Figure) -> str:
    """ "" where lines are as good as curves."""
    found = bend(herd)
    if found is None or found.p >= BENT:
        return ""
    worse = (found.faster < 0) == figure.falls
    turn = "ever faster" if worse else "ever more slowly, or gets better"
    return (
        f"the {figure.words} of {found.units} series does not change along lines (p = {found.p:.1g}): with age it "
        f"gets worse {turn}. The forecasts bend with it; what turns more sharply yet is not in them"
    )


def _since(row: Row, t: datetime | None) -> Row:
    """The same from a moment on, which is then when it began."""
    if t is None:
        return row
    first = bisect_left(row["days"], (t - EPOCH) / timedelta(days=1))
    return row | {"began": t.date(), "days": row["days"][first:], "values": row["values"][first:]}


def _series(row: Row) -> Series:
    days = np.array(row["days"], dtype=float)
    return Series(days - _zero(row), np.array(row["values"], dtype=float))


def _zero(row: Row) -> float:
    """The day, since 1970, from which the series counts."""
    if row["began"] is None:
        return float(row["days"][0])
    return (datetime.combine(row["began"], datetime.min.time()) - EPOCH) / timedelta(days=1)


def _nearness(s: Series, figure: Figure) -> float:
    newest = float(np.median(s.y[-3:]))
    return newest if figure.falls else -newest


def _at(row: Row, t: float | None) -> datetime | None:
    return None if t is None else EPOCH + timedelta(days=_zero(row) + t)


def _course(
    row: Row, s: Series, model: Herd | None, figure: Figure, limit: float | None, ahead: float
) -> VehicleCourse:
    end = float(s.t[-1])
    horizon = min(LONGEST, 2.0 * s.days)
    told: Course | None = course(s, model, np.array([end, end + ahead]))
    when: Crossing | None = None
    if told is not None and limit is not None:
        when = crossing(s, model, limit, falls=figure.falls, horizon=horizon)
    ends = [(float(told.line[i]), float(told.low[i]), float(told.high[i])) for i in (0, 1)] if told else []
    return VehicleCourse(
        vehicle=row["vehicle"],
        profile=row["profile"],
        item=row["item"],
        n=s.t.size,
        first=EPOCH + timedelta(days=row["days"][0]),
        last=EPOCH + timedelta(days=row["days"][-1]),
        now=ends[0] if ends else None,
        soon=ends[1] if ends else None,
        reading=(float(told.reading_low[1]), float(told.reading_high[1])) if told else None,
        limit=limit,
        earliest=_at(row, when.earliest) if when else None,
        likely=_at(row, when.likely) if when else None,
        latest=_at(row, when.latest) if when else None,
        passed=when.passed if when else False,
        horizon=horizon,
        in_herd=model[0][1].units if model else 0,
    )


def _order(c: VehicleCourse, figure: Figure) -> tuple[bool, bool, datetime, datetime, float, str]:
    """What has passed, then soonest, then nearest by the line ahead; what nobody can tell comes last."""
    far = datetime.max
    level = 0.0 if c.soon is None else c.soon[0] if figure.falls else -c.soon[0]
    return c.now is None, not c.passed, c.likely or far, c.earliest or far, level, c.vehicle


def _worst_item(made: list[VehicleCourse], figure: Figure) -> list[VehicleCourse]:
    """Of a vehicle with several groups, the one that comes to the limit first."""
    best: dict[str, VehicleCourse] = {}
    for c in made:
        held = best.get(c.vehicle)
        if held is None or _order(c, figure) < _order(held, figure):
            best[c.vehicle] = c
    return list(best.values())


def _drawn(row: Row, s: Series, model: Herd | None, horizon: float) -> Drawn:
    at = np.linspace(s.t[0], s.t[-1] + min(horizon, 2 * AHEAD), 60)
    found = course(s, model, at)
    assert found is not None  # only what has a course is drawn
    zero = _zero(row)
    return Drawn(s.t + zero, s.y, at + zero, found.line, found.low, found.high)
