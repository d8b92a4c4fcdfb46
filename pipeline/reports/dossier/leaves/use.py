"""What each pack has been through: cycles by depth, throughput, hours by temperature, and the ageing they stand for."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.health.pack.life_use import MEANING, LifeUse, life_use
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, bar_spec
from herdbook.pipeline.reports.record import profile_of
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.vehicle.record import Metric

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 80  # place in the dossier
NAMES = {
    "life_full_cycles": "Equivalent full cycles, swings added up by depth (under 2 % left out)",
    "life_throughput_cycles": "Equivalent full cycles from all charge in and out",
    "life_unseen_pct": "Change of reported charge between sessions, summed: unseen, yet in the cycles by depth",
    "life_span_h": "From the first session to the end of the last",
    "life_recorded_h": "Of that, with a known cell temperature",
    "life_age_h_25c": "The recorded hours as hours at 25 °C that age as much",
    "life_age_temp_c": "The constant temperature that ages as much in the same hours",
    "life_round_trip": "Energy out over energy in, full to full",
    "life_voltage_efficiency": "Share of a charger's energy that comes back in rides, at most: volts both ways at "
    "equal charge",
}
DRAWN = (
    ("life_cycles", "Cycles by depth [cycles]", "Depth of the cycle", "Cycles", "@line1"),
    ("life_temp_h", "Hours by temperature of the hottest cell sensor [h]", "Cell temperature", "Time [h]", "@line2"),
)


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    blocks: list[Block] = []
    packs = [r for r in facts.installs if r["component"] == "pack"]
    ea = _activation(store, facts)
    if len(packs) > 1:
        for number, pack in enumerate(packs, start=1):
            span = f"{numbers.day(pack['from_t'], facts.zone)} to {numbers.day(pack['to_t'], facts.zone)}"
            blocks.append(Note(f"Pack {pack['serial']}, {span}:"))
            blocks += _one(
                facts,
                _within(facts.metrics, pack, "start_t"),
                _within(facts.events, pack, "session_start_t"),
                ea,
                f"-{number}",
            )
    else:
        blocks += _one(facts, facts.metrics, facts.events, ea, "")
    if not blocks:
        blocks.append(Note("No pack current or charge is on record.", "absent"))
    lead = (
        "Counted across sessions, from what is recorded; what happened without a record shows only where the pack "
        "reports another charge than before. The ageing hours are a rule of thumb for comparing packs, no forecast."
    )
    return Leaf("use", "Use and ageing of the pack", lead, blocks)


def _activation(store: Store, facts: Facts) -> float | None:
    profile = profile_of(store, facts.about["profile"], facts.pack)
    return profile.pack_figures.ageing_ea_ev if profile else None


def _within(table: pl.DataFrame, pack: Row, column: str) -> pl.DataFrame:
    """The rows of sessions in which this pack was seen; the serial comes a little after a session's beginning."""
    if not table.height:
        return table
    early = pl.lit(pack["from_t"]).dt.offset_by("-1h")
    return table.filter(pl.col(column).is_between(early, pack["to_t"]))


def _one(facts: Facts, metrics: pl.DataFrame, events: pl.DataFrame, ea: float | None, suffix: str) -> list[Block]:
    if not metrics.height:
        return []
    use = life_use(metrics, events, ea)
    plain_figures = [f for f in use.figures if not f.item]
    blocks: list[Block] = []
    if plain_figures:
        body = [_row(f) for f in plain_figures]
        body += [(_named(name), f"not known: {why}", "", "") for name, why in use.not_known.items()]
        head = ("Figure", "Value, one standard error", "Sessions behind it", "Share covered")
        blocks.append(PageTable("The pack's use on record", head, body, frozenset({2, 3})))
    blocks += [block for drawn in DRAWN for block in _bars(use, *drawn, suffix)]
    return blocks


def _row(f: Metric) -> tuple[str, ...]:
    share = f"{f.coverage:.0%}" if f.coverage >= 0.1 else f"{f.coverage:.1%}"
    return _named(f.name), numbers.amount(f.value, f.unit, f.se), str(f.n), share


def _named(name: str) -> str:
    return NAMES.get(name, MEANING[name][1])


def _bars(use: LifeUse, name: str, title: str, x: str, y: str, color: str, suffix: str) -> list[Block]:
    found = [f for f in use.figures if f.name == name and f.item]
    if not any(f.value for f in found):
        return []
    names = [f.item.replace("degC", "°C") for f in found]
    spec = bar_spec(names, [f.value for f in found], color, 260, x=x, y=y)
    total = sum(f.value for f in found)
    n = max(f.n for f in found)
    note = f"n = {numbers.plural(n, 'session')}, {numbers.number(total)} in all; recorded time only."
    alt = f"Bar chart from zero: {title}; most at {names[max(range(len(found)), key=lambda i: found[i].value)]}."
    body = [(shown, numbers.number(f.value)) for shown, f in zip(names, found, strict=True)]
    figure = PageFigure(
        f"use-{name.replace('_', '-')}{suffix}", title, alt, spec, note, head=(x, y), body=body, height=260
    )
    return [Drawn(figure)]
