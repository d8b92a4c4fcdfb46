"""Round-trip efficiency of a pack: energy out over energy in, from one full charge to the next.

Only between equal anchors is what went in what could come out; the one anchor that is met often and sharply is
`full` (charge termination). Both energies pass one sensor, so its gain cancels; its zero does not, and neither does
what "full" may vary by. A chain with a hole in its record is refused: missing seconds are missing energy.
Where rides are not all on record, voltage_efficiency.py still tells the larger part of the loss.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.pack.charge_ledger import (
    JUMP_PCT,
    LEAST_COVERAGE,
    REPORT_PCT,
    TRUSTED,
    Zero,
    sensor_zero,
)
from herdbook.pipeline.times import micros

LEAST_SHARE = 0.2  # of rated charge must have gone round: less is anchors' scatter (engineering choice)
NEEDED = "needed are the logs of every ride and charge from one charge to full to the next"
_NAMES = (
    "pack_in_wh",
    "pack_out_ah",
    "pack_in_ah",
    "pack_cycles_efc",
    "session_h",
    "pack_soc_start_pct",
    "pack_soc_end_pct",
)


@dataclass(frozen=True, slots=True)
class RoundTrip:
    """value: Wh out over Wh in, with standard error. start, end: microseconds UTC of the two full anchors."""

    value: float
    se: float
    out_wh: float
    in_wh: float
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class _No:
    """Why a stretch gives no trip; {} in the words stands for the number."""

    words: str
    number: float = 0.0


def round_trips(metrics: pl.DataFrame, events: pl.DataFrame) -> tuple[list[RoundTrip], str]:
    """Every trip from one full anchor to the next, in time order, or none and why.

    metrics, events: as in herdbook.pipeline.health.pack.life_use.life_use().
    """
    anchors = _anchors(events)
    if len(anchors) < 2:
        full = "no charge" if not anchors else "only one charge"
        return [], f"{full} to full with pack voltage and current is on record, and it takes two; {NEEDED}"
    chain = _EnergyChain.of(metrics)
    found = [chain.between(a, b) for a, b in pairwise(anchors)]
    trips = [t for t in found if isinstance(t, RoundTrip)]
    if trips:
        return trips, ""
    said = _said([why for why in found if isinstance(why, _No)])
    return [], f"no stretch from one full charge to the next is recorded whole and deep enough: {said}; {NEEDED}"


def _said(refused: list[_No]) -> str:
    """Reasons with how often each holds, the most frequent first."""
    out = []
    for words, n in Counter(no.words for no in refused).most_common():
        numbers = sorted({f"{no.number:.0f}" for no in refused if no.words == words}, key=float)
        span = numbers[0] if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"
        out.append(words.format(span) + (f" ({n} of {len(refused)})" if len(refused) > 1 else ""))
    return "; ".join(out)


@dataclass(frozen=True, slots=True)
class _FullAnchor:
    """A moment at which the pack was full: energy out and in since its session began, and how sure "full" is."""

    session: object  # start of its session, as the metrics' start_t gives it
    t: object
    se_pct: float
    out_wh: float
    in_wh: float


def _anchors(events: pl.DataFrame) -> list[_FullAnchor]:
    """Those with energy, in order of time."""
    rows = events.filter((pl.col("kind") == "charge_anchor") & (pl.col("item") == "full")).sort("start_t")
    out = []
    for row in rows.to_dicts():
        pairs = (
            zip(row["keys"], row["numbers"], strict=True)
            if "keys" in row
            else ((p["key"], p["value"]) for p in row["data"])
        )
        data = dict(pairs)
        if "out_wh" in data:
            anchor = _FullAnchor(
                session=row["session_start_t"],
                t=row["start_t"],
                se_pct=data["se_pct"],
                out_wh=data["out_wh"],
                in_wh=data["in_wh"],
            )
            out.append(anchor)
    return out


@dataclass(frozen=True, slots=True)
class _EnergyChain:
    """Sessions in time order: start, energy and charge in, hours, reported charge at both ends (NaN: unknown)."""

    start: list[object]
    out_wh: Floats
    in_wh: Floats
    in_ah: Floats
    coverage: Floats
    hours: Floats
    first: Floats
    last: Floats
    rated_ah: float
    zero: Zero

    @staticmethod
    def of(metrics: pl.DataFrame) -> _EnergyChain:
        table = (
            _column(metrics, "pack_out_wh", "coverage")
            .rename({"coverage": "cover"})
            .join(_column(metrics, "pack_out_wh"), on="start_t")
        )
        for name in _NAMES:
            table = table.join(_column(metrics, name), on="start_t", how="left")
        table = table.sort("start_t")
        wanted = (
            "pack_out_wh",
            "pack_in_wh",
            "pack_in_ah",
            "cover",
            "session_h",
            "pack_soc_start_pct",
            "pack_soc_end_pct",
        )
        out, put, ah, cover, hours, first, last = (
            table[c].cast(pl.Float64).fill_null(np.nan).to_numpy() for c in wanted
        )
        through, cycles = (table["pack_out_ah"] + table["pack_in_ah"]).to_numpy(), table["pack_cycles_efc"].to_numpy()
        rated = float(np.nansum(through) / max(2 * np.nansum(cycles), 1e-9))
        return _EnergyChain(
            start=table["start_t"].to_list(),
            out_wh=out,
            in_wh=put,
            in_ah=ah,
            coverage=cover,
            hours=hours,
            first=first,
            last=last,
            rated_ah=rated,
            zero=sensor_zero(metrics),
        )

    def between(self, a: _FullAnchor, b: _FullAnchor) -> RoundTrip | _No:
        """The trip between two full anchors, or why there is none."""
        if a.session not in self.start or b.session not in self.start:
            return _No("a session has no pack energy")
        i, j = self.start.index(a.session), self.start.index(b.session)
        if i == j:
            return _No("both ends lie in one session")
        jump = np.abs(self.first[i + 1 : j + 1] - self.last[i:j])
        if np.isnan(jump).any():
            return _No("the pack does not report its charge at both ends of its sessions: what lies between is unknown")
        if not (jump <= JUMP_PCT).all():
            return _No("the reported charge moved by {} % while nothing was recorded", float(jump.max()))
        if not (self.coverage[i : j + 1] >= LEAST_COVERAGE).all():
            return _No("a session is recorded to {} % only", 100 * float(np.nanmin(self.coverage[i : j + 1])))
        out = float(self.out_wh[i:j].sum()) - a.out_wh + b.out_wh
        put = float(self.in_wh[i:j].sum()) - a.in_wh + b.in_wh
        volts = float(self.in_wh[i : j + 1].sum() / max(self.in_ah[i : j + 1].sum(), 1e-9))
        whole_wh = self.rated_ah * volts
        # What the sensor's zero and the gaps kept out of the count; a zero takes from one way, gives to the other.
        charging = self.in_wh[i : j + 1] > self.out_wh[i : j + 1]
        hours = np.nan_to_num(self.hours[i : j + 1])
        put += self.zero.amps * volts * float(hours[charging].sum())
        out -= self.zero.amps * volts * float(hours[~charging].sum())
        moved = self.first[i + 1 : j + 1] - self.last[i:j]
        moved = np.where(jump > REPORT_PCT, moved, 0.0)
        put += whole_wh / 100 * float(moved[moved > 0].sum())
        out -= whole_wh / 100 * float(moved[moved < 0].sum())
        if not put > 0:
            return _No("no energy went in")
        if put < LEAST_SHARE * whole_wh:
            return _No("only {} % of the pack's charge went round", 100 * put / whole_wh)
        # Ends that differ move the energy in, and so does what a report's jump may have been.
        unseen = np.hypot(np.sqrt((np.hypot(REPORT_PCT, TRUSTED * moved) ** 2).sum()), jump[moved == 0.0].sum())
        ends = whole_wh / 100 * float(np.sqrt(a.se_pct**2 + b.se_pct**2 + unseen**2))
        zero = self.zero.se * float(hours.sum()) * volts
        value = out / put
        se = float(np.hypot(ends, zero)) / put
        return RoundTrip(value=value, se=se, out_wh=out, in_wh=put, start=_us(a.t), end=_us(b.t))


def _column(metrics: pl.DataFrame, name: str, of: str = "value") -> pl.DataFrame:
    rows = metrics.filter(pl.col("name") == name).unique("start_t", keep="first")
    return rows.select("start_t", pl.col(of).alias(name if of == "value" else of))


def _us(t: object) -> int:
    return micros(t) if isinstance(t, datetime) else int(str(t))
