"""The lines about the pack's capacity: of what, at what temperature, how sure, since when under 80 %."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.health.pack.capacity import GAIN, Measured, capacities
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.reports.facts import Row
from herdbook.pipeline.reports.history.context import Desk
from herdbook.pipeline.reports.history.statement import Line, logs_between
from herdbook.pipeline.reports.words import names as plain
from herdbook.pipeline.reports.words import numbers as words
from herdbook.pipeline.times import from_micros, micros

END_PCT = 80.0  # of rated charge: common practice for the end of a pack's life; a contract may say otherwise
TABLE = 0.015 / 0.95  # of charge read from a rest near empty, shared by all measurements; engineering choice
SURE = 2.0  # standard errors: 1 in 40 beyond by chance
TOPIC = "Capacity"


@dataclass(frozen=True, slots=True)
class Held:
    """Capacity of one pack, % of rated charge. chains: in time order."""

    pack: str
    pct: float
    se: float
    ah: float
    chains: list[Measured]


def lines(desk: Desk) -> Iterator[Line]:
    if desk.profile is None or desk.record is None or not desk.profile.pack_figures.given("rated_ah"):
        why = "the vehicle's profile, which states the rated charge, is not in the store's folder of profiles"
        yield Line("capacity", f"The pack's capacity cannot be given: {why}.", "not known", topic=TOPIC)
        return
    packs = held(desk, desk.profile.pack_figures.rated_ah)
    if not packs:
        yield Line("capacity", f"Not measurable in the data available: {_why_not(desk)}.", "not known", topic=TOPIC)
    for pack in packs:
        yield _measured(desk, pack, desk.profile.pack_figures.rated_ah)
        yield _against(desk, pack)
    if packs:
        text = "The end of a warranty and what it promises are not in this store: hold the dates above against them."
        yield Line("capacity", text, "not known", topic="Before expiry?")


def held(desk: Desk, rated: float) -> list[Held]:
    """Each pack's capacity from charge counted between full and nearly empty; nothing across an exchange of packs."""
    found: dict[str, list[Measured]] = {}
    for chain in capacities(desk.record) if desk.record else []:
        inside = [r for r in desk.facts.installs if r["component"] == "pack" and _touches(chain, r)]
        if len(inside) < 2:
            found.setdefault(inside[0]["serial"] if inside else "", []).append(chain)
    out = []
    for pack, chains in found.items():
        ah, own = pool(np.array([c.ah for c in chains]), np.array([c.random_se for c in chains]))
        pct = 100 * ah / rated
        se = float(np.hypot(100 * own / rated, pct * np.hypot(GAIN, TABLE)))
        out.append(Held(pack, float(pct), se, float(ah), chains))
    return out


def _touches(chain: Measured, install: Row) -> bool:
    return micros(install["from_t"]) <= chain.end and micros(install["to_t"]) >= chain.start


def _measured(desk: Desk, pack: Held, rated: float) -> Line:
    start, end = from_micros(pack.chains[0].start), from_micros(max(c.end for c in pack.chains))
    days = sorted({desk.reader.day(start), desk.reader.day(end)})
    name = f"Pack {pack.pack}" if pack.pack else "The pack"
    text = (
        f"{name} held {words.amount(pack.ah, 'Ah', pack.se * rated / 100)}, {words.amount(pack.pct, '%', pack.se)} of "
        f"the {rated:g} Ah that the profile states as rated, by {words.plural(len(pack.chains), 'measurement')} "
        f"{'on ' + days[0] if len(days) == 1 else 'between ' + ' and '.join(days)}{_temperatures(desk, pack)}. Charge "
        "was counted between full and nearly empty as the vehicle was used: no test at one temperature and rate."
    )
    return Line(
        "capacity",
        text,
        "computed",
        start,
        end,
        value=round(pack.pct, 3),
        unit="% of rated charge",
        se=round(pack.se, 3),
        logs=logs_between(desk.facts, start, end),
        topic=TOPIC,
    )


def _temperatures(desk: Desk, pack: Held) -> str:
    """ ", cells between a and b" over the sessions of the measurements."""
    starts = [
        s["start_t"]
        for s in desk.facts.sessions
        if any(micros(s["start_t"]) <= c.end and micros(s["end_t"]) >= c.start for c in pack.chains)
    ]
    seen = desk.facts.metrics.filter(pl.col("start_t").is_in(starts))
    low, high = (seen.filter(pl.col("name") == f"cell_temp_{end}_c")["value"].to_list() for end in ("min", "max"))
    if not low or not high:
        return ", at cell temperatures that are not on record"
    return f", with cells between {min(low):.0f} and {words.amount(round(max(high)), 'degC')}"


def _against(desk: Desk, pack: Held) -> Line:
    """Under 80 % or not, how sure, and between which dates it fell below."""
    away = (pack.pct - END_PCT) / pack.se
    side = "below" if away < 0 else "above"
    sure = f"{abs(away):.1f} standard errors {side} {END_PCT:.0f} %"
    if abs(away) < SURE:
        text = f"Whether it is under {END_PCT:.0f} % is not decided by these data: it lies {sure}."
    else:
        text = f"It lies {sure} of rated charge."
    rated = pack.ah / pack.pct * 100
    single = [(from_micros(c.end), 100 * c.ah / rated, 100 * c.se / rated) for c in pack.chains]
    under = [t for t, pct, se in single if END_PCT - pct > SURE * se]
    over = [t for t, pct, se in single if pct - END_PCT > SURE * se]
    if under:
        earlier = [t for t in over if t < under[0]]
        text += f" First measured below it beyond doubt on {desk.reader.day(under[0])}"
        text += f", last above it before that on {desk.reader.day(earlier[-1])}." if earlier else "; when it fell is "
        text += "" if earlier else "not on record."
    elif over:
        text += f" Last measured above it beyond doubt on {desk.reader.day(over[-1])}."
    first, last = single[0][0], single[-1][0]
    return Line(
        "capacity", text, "computed", first, last, logs=logs_between(desk.facts, first, last), topic="Under 80 %?"
    )


def _why_not(desk: Desk) -> str:
    said = [r["reason"] for r in desk.facts.not_assessed if r["rule"] == "pack_capacity_low"]
    if said and desk.as_of is None:
        return plain.reason(said[0])
    return "no measurement between full and nearly empty, recorded whole, is on record"
