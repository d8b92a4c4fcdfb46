"""The pack page: capacity, self-discharge of each group, whether its own figures agree, and its least margins."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from herdbook.pipeline.reports.drawing.readings import Z95, event_table
from herdbook.pipeline.reports.drawing.session_figures import figures_table
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.pack_capacity import pack_capacities
from herdbook.pipeline.reports.page.blocks import Block, Leaf, Note, PageTable
from herdbook.pipeline.reports.record import profile_of, record_of
from herdbook.pipeline.reports.words import names, numbers

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.health.rule import Record
    from herdbook.pipeline.store.store import Store

ORDER = 20  # place in the dossier
AGREEMENT = (
    ("pack_current_zero_a", "Current sensor with the main switch open: its offset"),
    ("pack_sum_gap_v", "Terminal voltage less the sum of the groups, at no current"),
    ("pack_sum_gap_pct", "The same as a share of the terminal voltage"),
    ("pack_path_mohm", "Resistance between the outer groups and the terminals"),
    ("bms_capacity_ah", "Capacity the battery management system seems to count with"),
    ("balance_time_s", "Time a session with the median group where the balancer may work"),
)
PLACES = {"charge": "current into the pack", "discharge": "current out of the pack"}
UNITS = {"margin_v": "V", "margin_k": "K", "margin_a": "A"}


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    profile = profile_of(store, facts.about["profile"], facts.pack)
    record = record_of(facts, profile, []) if profile else None
    now = _with_this_pack(facts)
    record_now = record_of(now, profile, []) if profile else None
    blocks = _capacity(facts, record)
    if now is not facts:
        blocks.append(Note("What follows is of the pack seen last, not of the ones before it."))
    blocks += _losses(record_now) + _reported(record_now) + figures_table(now, "The pack's own figures", AGREEMENT)
    blocks += _margins(now)
    lead = (
        "Charge is counted between moments at which it is known from outside; where the record lacks such moments, "
        "no capacity is given. The least margins say how near the unit came to what it is built for."
    )
    return Leaf("pack", "Pack", lead, blocks)


def _with_this_pack(facts: Facts) -> Facts:
    """Cut to the sessions of the pack seen last: another pack's groups are other groups."""
    packs = [r for r in facts.installs if r["component"] == "pack"]
    if len(packs) < 2:
        return facts
    last = max(packs, key=lambda r: r["to_t"])
    begun = last["from_t"] - timedelta(hours=1)  # the serial comes a little after a session's beginning
    sessions = [s for s in facts.sessions if s["start_t"] >= begun]
    return replace(
        facts,
        sessions=sessions,
        metrics=facts.metrics.filter(pl.col("start_t") >= begun),
        events=facts.events.filter(pl.col("session_start_t") >= begun),
    )


def _capacity(facts: Facts, record: Record | None) -> list[Block]:
    if record is None or not record.profile.pack_figures.given("rated_ah"):
        return [Note("No capacity: no profile at hand states the rated charge ([pack] rated_ah).", "absent")]
    rated = record.profile.pack_figures.rated_ah
    packs = pack_capacities(record, facts.installs, rated)
    if not packs:
        return [Note(f"The capacity is not known. {_why_no_capacity(facts)}.", "absent")]
    body = [
        (
            p.pack or "the pack",
            numbers.amount(p.ah, "Ah", p.se * rated / 100),
            numbers.amount(p.pct, "%", p.se),
            f"{p.pct - Z95 * p.se:.1f} to {p.pct + Z95 * p.se:.1f} %",
            str(len(p.chains)),
        )
        for p in packs
    ]
    head = ("Pack", "Capacity", "Of rated", "95 % interval", "Measurements")
    return [PageTable("Capacity, counted between full and nearly empty", head, body, frozenset({1, 2, 3, 4}))]


def _why_no_capacity(facts: Facts) -> str:
    said = [r["reason"] for r in facts.not_assessed if r["rule"] == "pack_capacity_low"]
    return names.reason(said[0]) if said else "no charge between nearly empty and full is recorded whole"


def _losses(record: Record | None) -> list[Block]:
    """Self-discharge of every group against its siblings, also where no rule has a word to say."""
    from herdbook.pipeline.health.pack.leak import self_discharge

    if record is None:
        return []
    found, why = self_discharge(record)
    if not found:
        return [Note(f"No self-discharge of single groups: {why}.", "absent")]
    body = [
        (
            f"group {x.item}",
            numbers.amount(x.loss_ma, "mA", x.se_ma),
            f"{x.loss_ma - Z95 * x.se_ma:.1f} to {x.loss_ma + Z95 * x.se_ma:.1f} mA",
            str(x.n),
            f"{x.days:.0f}",
        )
        for x in found
    ]
    head = ("Group", "Loses more than the median group", "95 % interval", "Charges", "Over days")
    return [
        PageTable("Self-discharge, group by group", head, body, frozenset({1, 2, 3, 4})),
        Note("Negative: it loses less. What all groups lose alike does not show. What was bled is added back."),
    ]


def _reported(record: Record | None) -> list[Block]:
    """Reported charge against charge known from outside, by the rule's own comparison."""
    from herdbook.pipeline.health.pack.charge_off import readings_off
    from herdbook.pipeline.health.pooled import pool

    found = readings_off(record, 10_000.0) if record else None
    if found is None or not found.height:
        return [Note("Reported charge: never seen at a full pack or a low rest, so not held against ours.", "absent")]
    body = []
    for (kind,), part in found.group_by(["item"], maintain_order=True):
        value, se = pool(part["gap"].to_numpy(), part["se_pct"].to_numpy())
        se = float(np.hypot(se, np.median(part["se_pct"].to_numpy())))  # an anchor errs alike every time
        where = "at a full pack" if kind == "full" else "at a low rest"
        body.append(
            (
                where,
                numbers.amount(value, "%", se),
                f"{value - Z95 * se:.0f} to {value + Z95 * se:.0f} %",
                str(part.height),
            )
        )
    head = ("Where", "Reported minus measured", "95 % interval", "Times")
    return [PageTable("Reported state of charge against ours", head, body, frozenset({1, 2, 3}))]


def _margins(facts: Facts) -> list[Block]:
    """The nearest each limit was ever approached, nearest first."""
    events = event_table(facts, "least_margin")
    if not events.height or "margin_share" not in events.columns:
        return [Note("No limits of the profile could be held against readings.", "absent")]
    nearest = events.sort("margin_share").unique("item", keep="first", maintain_order=True)
    body = []
    for row in nearest.iter_rows(named=True):
        unit = next(unit for key, unit in UNITS.items() if row.get(key) is not None)
        shown = "°C" if unit == "K" else unit
        what = "group" if unit == "V" else "sensor"
        group = f", {what} {row['group']:.0f}" if row.get("group") else ""
        body.append(
            (
                PLACES.get(row["item"], row["item"]) + group,
                f"{numbers.number(row['value'])} {shown}",
                f"{numbers.number(row['limit'])} {shown}",
                numbers.amount(row[f"margin_{unit.lower()}"], unit),
                f"{row['margin_share']:.0%}",
                numbers.moment(row["start_t"], facts.zone, False),
            )
        )
    head = ("Where", "Reading", "Limit", "Margin", "As a share", "When")
    n = events.height
    return [
        PageTable("Least margins to the limits on record", head, body, frozenset({1, 2, 3, 4})),
        Note(f"n = {n} session figures; medians of three readings. A negative margin: the limit was passed."),
    ]
