"""The lines about the pack's capacity: of what, at what temperature, how sure, since when under 80 %."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.statement import Statement, logs_between
from herdbook.pipeline.reports.pack_capacity import PackCapacity, pack_capacities
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.times import from_micros, micros

END_PCT = 80.0  # of rated charge: common practice for the end of a pack's life; a contract may say otherwise
SURE = 2.0  # standard errors: 1 in 40 beyond by chance
TOPIC = "Capacity"


def lines(given: HistoryContext) -> Iterator[Statement]:
    if given.profile is None or given.record is None or not given.profile.pack_figures.given("rated_ah"):
        why = "the vehicle's profile, which states the rated charge, is not in the store's folder of profiles"
        yield Statement("capacity", f"The pack's capacity cannot be given: {why}.", "not known", topic=TOPIC)
        return
    rated = given.profile.pack_figures.rated_ah
    packs = pack_capacities(given.record, given.facts.installs, rated)
    if not packs:
        yield Statement(
            "capacity", f"Not measurable in the data available: {_why_not(given)}.", "not known", topic=TOPIC
        )
    for pack in packs:
        yield _measured(given, pack, rated)
        yield _against(given, pack)
    if packs:
        text = "The end of a warranty and what it promises are not in this store: hold the dates above against them."
        yield Statement("capacity", text, "not known", topic="Before expiry?")


def _measured(given: HistoryContext, pack: PackCapacity, rated: float) -> Statement:
    start, end = from_micros(pack.chains[0].start), from_micros(max(c.end for c in pack.chains))
    days = sorted({given.reader.day(start), given.reader.day(end)})
    name = f"Pack {pack.pack}" if pack.pack else "The pack"
    text = (
        f"{name} held {numbers.amount(pack.ah, 'Ah', pack.se * rated / 100)}, "
        f"{numbers.amount(pack.pct, '%', pack.se)} of the {rated:g} Ah that "
        f"the profile states as rated, by {numbers.plural(len(pack.chains), 'measurement')} "
        f"{'on ' + days[0] if len(days) == 1 else 'between ' + ' and '.join(days)}{_temperatures(given, pack)}. Charge "
        "was counted between full and nearly empty as the vehicle was used: no test at one temperature and rate."
    )
    return Statement(
        "capacity",
        text,
        "computed",
        start,
        end,
        value=round(pack.pct, 3),
        unit="% of rated charge",
        se=round(pack.se, 3),
        logs=logs_between(given.facts, start, end),
        topic=TOPIC,
    )


def _temperatures(given: HistoryContext, pack: PackCapacity) -> str:
    """ ", cells between a and b" over the sessions of the measurements."""
    starts = [
        s["start_t"]
        for s in given.facts.sessions
        if any(micros(s["start_t"]) <= c.end and micros(s["end_t"]) >= c.start for c in pack.chains)
    ]
    seen = given.facts.metrics.filter(pl.col("start_t").is_in(starts))
    low, high = (seen.filter(pl.col("name") == f"cell_temp_{end}_c")["value"].to_list() for end in ("min", "max"))
    if not low or not high:
        return ", at cell temperatures that are not on record"
    return f", with cells between {min(low):.0f} and {numbers.amount(round(max(high)), 'degC')}"


def _against(given: HistoryContext, pack: PackCapacity) -> Statement:
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
        text += f" First measured below it beyond doubt on {given.reader.day(under[0])}"
        text += f", last above it before that on {given.reader.day(earlier[-1])}." if earlier else "; when it fell is "
        text += "" if earlier else "not on record."
    elif over:
        text += f" Last measured above it beyond doubt on {given.reader.day(over[-1])}."
    first, last = single[0][0], single[-1][0]
    return Statement(
        "capacity", text, "computed", first, last, logs=logs_between(given.facts, first, last), topic="Under 80 %?"
    )


def _why_not(given: HistoryContext) -> str:
    said = [r["reason"] for r in given.facts.not_assessed if r["rule"] == "pack_capacity_low"]
    if said and given.as_of is None:
        return names.reason(said[0])
    return "no measurement between full and nearly empty, recorded whole, is on record"
