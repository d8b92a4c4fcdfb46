"""Which vehicles drift toward a limit, and when would they reach it?

Figures of sessions are followed over a vehicle's last WITHIN_DAYS days. A line is shown only when the data support it:
a monotone trend (Mann-Kendall) that is significant although many series are looked at night by night and neighbours in
them are alike, a slope (Theil-Sen) whose 95 % interval leaves out zero, and a limit that lies ahead and near
(pipeline/health/trend.py). What is past its limit already is a finding and not listed here.

Series are tried only where their middle lies at least HALF-way to the limit. The middle does not depend on the order of
the values, and the test looks at nothing but the order, so choosing by it costs no significance; it keeps the number of
series small. Of the lines listed, SURE are there by chance on average (false discovery rate: Y. Benjamini and Y.
Hochberg, J. R. Stat. Soc. B 57 (1995) 289); where nothing drifts, SURE of the lists have a line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from herdbook.pipeline.health.trend import Reach, beside_trend, careful_p, reaches, theil_sen
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.times import EPOCH

if TYPE_CHECKING:
    import duckdb

WITHIN_DAYS = 180.0
HALF = 0.5  # of the way from healthy to the limit; engineering choice
SURE = 0.05


@dataclass(frozen=True, slots=True)
class Way:
    """A figure on its way to a rule's limit. healthy: where a sound vehicle is. both: either sign is bad."""

    metric: str
    rule: str
    limit: str
    healthy: float
    words: str
    both: bool = False


WAYS = (
    Way("cell_r_ratio", "weak_group", "act", 1.0, "resistance over the median group"),
    Way("cell_offset_top_pct", "out_of_balance", "act", 0.0, "charge off the median group, near full", both=True),
    Way("pack_soh_pct", "pack_capacity_low", "act", 100.0, "capacity, share of rated"),
    Way("pack_current_zero_a", "current_sensor_offset", "act", 0.0, "current shown with the switch open", both=True),
    Way("pack_sum_gap_pct", "pack_sum_disagrees", "act", 0.0, "pack voltage against the sum of its groups", both=True),
    Way("belt_slip_pct", "belt_slip", "slip", 0.0, "motor ahead of its wheel"),
    Way("brake_response_s", "regen_late", "delay", 0.0, "delay of the electric brake"),
)


@dataclass(frozen=True, slots=True)
class DriftLine:
    """now: the newest level (line through the last third). slope, low, high: per week. earliest, likely, latest: when
    the limit is reached if it goes on like this; latest None: not certain ever. first, last: of the n sessions."""

    vehicle: str
    rule: str
    words: str
    item: str
    unit: str
    now: float
    limit: float
    slope: float
    low: float
    high: float
    earliest: datetime
    likely: datetime
    latest: datetime | None
    n: int
    first: datetime
    last: datetime


@dataclass(frozen=True, slots=True)
class Drifts:
    """rows: soonest first. tried: how many series were put to the test, of `known` that are long enough."""

    rows: tuple[DriftLine, ...]
    tried: int
    known: int


def drifts(con: duckdb.DuckDBPyConnection, own: Mapping[str, Mapping[str, float]] | None = None) -> Drifts:
    """own: limits by profile that override the rules' ("rule.limit": value)."""
    limits = _limits(con, own or {})
    con.register("drift_limits", limits)
    given = {"days": WITHIN_DAYS, "half": HALF}
    known = ask(con, __name__, "drift_known", days=WITHIN_DAYS)[0]["series"]
    tried = ask(con, __name__, "drift", **given)
    con.unregister("drift_limits")
    likely = significant([row["values"] for row in tried], SURE)
    p = [careful_p(np.array(tried[i]["days"], float), np.array(tried[i]["values"], float)) for i in likely]
    level = discovery_level(p, len(tried))
    found = [d for i, own in zip(likely, p, strict=True) if own <= level and (d := _judge(tried[i], level)) is not None]
    return Drifts(tuple(sorted(found, key=lambda d: (d.likely, d.vehicle, d.item))), len(tried), known)


def discovery_level(p: Sequence[float], tried: int) -> float:
    """Largest p to be listed, so that SURE of the listed are false on average; 0.0 when none is. p: of those of the
    `tried` series that may count."""
    ranked = np.sort(np.array(p, float))
    passed = ranked[ranked <= SURE * np.arange(1, ranked.size + 1) / max(tried, 1)]
    return float(passed[-1]) if passed.size else 0.0


def significant(series: Sequence[Sequence[float]], p_most: float) -> list[int]:
    """Which series may have a monotone trend with p under p_most: all series of one length at a time, so that a hundred
    thousand take no longer than a few. Those with equal values are let through: their test needs more care."""
    z_least = NormalDist().inv_cdf(1 - p_most / 2)
    by_length: dict[int, list[int]] = {}
    for i, values in enumerate(series):
        by_length.setdefault(len(values), []).append(i)
    out: list[int] = []
    for n, places in by_length.items():
        y = np.array([series[i] for i in places], float)
        s = sum(np.sign(y[:, lag:] - y[:, :-lag]).sum(axis=1) for lag in range(1, n))
        z = (np.abs(s) - 1) / np.sqrt(n * (n - 1) * (2 * n + 5) / 18.0)
        tied = (np.diff(np.sort(y, axis=1), axis=1) == 0).any(axis=1)
        out += [i for i, keep in zip(places, (z >= z_least * 0.999) | tied, strict=True) if keep]
    return sorted(out)


def _limits(con: duckdb.DuckDBPyConnection, own: Mapping[str, Mapping[str, float]]) -> pl.DataFrame:
    from herdbook.pipeline.health.rules import all_rules

    rules = all_rules()
    profiles = [p for (p,) in con.execute("SELECT DISTINCT profile FROM vehicles").fetchall()]
    rows = []
    for way in WAYS:
        usual = next(x.value for x in rules[way.rule].limits if x.name == way.limit)
        for profile in profiles:
            limit = own.get(profile, {}).get(f"{way.rule}.{way.limit}", usual)
            rows.append((profile, way.metric, way.healthy, limit, way.both))
    kinds = (pl.String, pl.String, pl.Float64, pl.Float64, pl.Boolean)
    names = ("profile", "name", "healthy", "limit", "two_sided")
    return pl.DataFrame(rows, schema=dict(zip(names, kinds, strict=True)), orient="row")


def _judge(row: dict[str, object], p_most: float) -> DriftLine | None:
    """row: as sql/drift.sql gives it."""
    day, value = np.array(row["days"], float), np.array(row["values"], float)
    limit = float(str(row["limit"]))
    found: Reach | None = reaches(day, value, limit, p_most=p_most)
    if found is None or found.likely < day[-1]:
        return None
    fit, way = theil_sen(day, value, fewer=beside_trend(day, value)), next(w for w in WAYS if w.metric == row["name"])
    tail = max(3, day.size // 3)
    level = float(np.median(value[-tail:] + fit.slope * (day[-1] - day[-tail:])))
    slope, low, high = (7 * s for s in (fit.slope, fit.low, fit.high))
    return DriftLine(
        vehicle=str(row["vehicle"]),
        rule=way.rule,
        words=way.words,
        item=str(row["item"]),
        unit=str(row["unit"]),
        now=level,
        limit=limit,
        slope=slope,
        low=low,
        high=high,
        earliest=_at(max(found.earliest, day[-1])),
        likely=_at(found.likely),
        latest=None if found.latest is None else _at(found.latest),
        n=day.size,
        first=_at(day[0]),
        last=_at(day[-1]),
    )


def _at(day: float) -> datetime:
    return EPOCH + timedelta(days=float(day))
