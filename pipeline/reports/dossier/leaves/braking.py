"""The braking page: every braking, what was asked and what came, why not, left against right, the worst in full."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.drawing.panels import Panel, stack
from herdbook.pipeline.reports.drawing.readings import event_table
from herdbook.pipeline.reports.drawing.traces import load
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note, PageTable
from herdbook.pipeline.reports.page.figure import PageFigure, Spec, axis, diagonal, layout, markers
from herdbook.pipeline.reports.words import cautions, numbers
from herdbook.pipeline.times import micros

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 40  # place in the dossier
WORST = 5
LEAD_US = 3_000_000
PANELS = (
    "brake_demand",
    "regen_demand",
    "regen_allowed",
    "regen_current",
    "motor_current",
    "vehicle_speed",
    "pack_voltage",
)
EXPLAINED = {
    "short_full_a": "pack full",
    "short_cold_a": "pack cold",
    "short_hot_a": "hot",
    "short_slow_a": "too slow",
    "short_ceiling_a": "at the ceiling of the system",
}
UNEXPLAINED = {"short_unreasoned_a": "withheld, no reason in sight", "short_undelivered_a": "allowed, not delivered"}


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    table = _judged(event_table(facts, "braking"))
    blocks: list[Block] = []
    if table.height:
        blocks += [Drawn(_demand(facts, table)), _parts(table), *_sides(facts, table), *_worst(store, facts, table)]
    else:
        blocks.append(Note("No braking with demand and delivery is on record.", "absent"))
    blocks.append(Note(f"{cautions.BRAKE.text} {cautions.GENERAL.text}", "caution"))
    lead = (
        "Figures from motor and pack currents. Slope, load and tyres are not observed, so nothing here is a brake "
        "test and nothing says whether a legal requirement is met."
    )
    return Leaf("braking", "Braking", lead, blocks)


def _judged(events: pl.DataFrame) -> pl.DataFrame:
    """Events with a demand and a delivery; explained and unexplained shortfall summed. [A]"""
    if not {"demand_a", "delivered_a"} <= set(events.columns):
        return pl.DataFrame()

    def total(names: dict[str, str]) -> pl.Expr:
        known = [pl.col(name).fill_null(0.0) for name in names if name in events.columns]
        return pl.sum_horizontal(known) if known else pl.lit(0.0)

    kept = events.drop_nulls(["demand_a", "delivered_a"])
    return kept.with_columns(explained=total(EXPLAINED), unexplained=total(UNEXPLAINED)).sort("start_t")


def _when(facts: Facts, rows: pl.DataFrame) -> list[str]:
    return [numbers.moment(t, facts.zone) for t in rows["start_t"]]


def _demand(facts: Facts, table: pl.DataFrame) -> PageFigure:
    missing = pl.col("unexplained") > 0.5
    kinds = (
        ("delivered", ~missing & (pl.col("explained") <= 0.5), "@line3", "circle-open"),
        ("short, explained", ~missing & (pl.col("explained") > 0.5), "@line1", "diamond"),
        ("short, not explained", missing, "@stop", "x"),
    )
    data: list[Spec] = []
    body: list[tuple[str, ...]] = []
    for name, chosen, color, symbol in kinds:
        rows = table.filter(chosen)
        body.append((name, str(rows.height)))
        shown = f"{name} (n = {rows.height})"
        trace = markers(shown, rows["demand_a"].to_list(), rows["delivered_a"].to_list(), color, symbol)
        hover = "%{text}: asked %{x:.1f} A, came %{y:.1f} A"
        data.append(trace | {"text": _when(facts, rows), "hovertemplate": hover})
    top = _largest(table, "demand_a", "delivered_a")
    same = [0.0, 1.06 * top]  # one scale for both: what did not come is seen as a distance
    axes = {"xaxis": axis("Demanded [A]", range=same), "yaxis": axis("Delivered [A]", range=same)}
    spec = {"data": data, "layout": layout(400, shapes=[diagonal(top)], **axes)}
    kinds_said = ", ".join(": ".join(row) for row in body)
    alt = f"Scatter of {table.height} braking events; on the dashed line delivery equals demand. {kinds_said}."
    note = f"n = {numbers.plural(table.height, 'braking event')}; pack-side regeneration current, means once settled."
    return PageFigure(
        "brake-demand",
        "Every braking event: demanded against delivered current [A]",
        alt,
        spec,
        note,
        head=("Kind", "Braking events"),
        body=body,
        height=400,
    )


def _largest(table: pl.DataFrame, *columns: str) -> float:
    return max(1.0, *(float(table[column].to_numpy().max()) for column in columns))


def _parts(table: pl.DataFrame) -> PageTable | Note:
    body = []
    for names, group in ((EXPLAINED, "explained"), (UNEXPLAINED, "not explained")):
        for column, said in names.items():
            if column in table.columns:
                hit = table.filter(pl.col(column) > 0.5)
                if hit.height:
                    body.append((said, group, str(hit.height), numbers.number(float(hit[column].to_numpy().max()))))
    if not body:
        return Note("In no braking event did more than 0.5 A of what was asked fail to come.")
    head = ("Reason", "Kind", "Braking events", "Largest [A]")
    return PageTable("What was asked and did not come, by reason (over 0.5 A)", head, body, frozenset({2, 3}))


def _sides(facts: Facts, table: pl.DataFrame) -> list[Block]:
    if not {"left_a", "right_a"} <= set(table.columns):
        return [Note("Braking currents of the two motors are not known; left cannot be held against right.", "absent")]
    rows = table.drop_nulls(["left_a", "right_a"])
    if not rows.height:
        return []
    hover = "%{text}: left %{x:.1f} A, right %{y:.1f} A"
    trace = markers("braking events", rows["left_a"].to_list(), rows["right_a"].to_list(), "@line1", "circle-open")
    trace |= {"text": _when(facts, rows), "hovertemplate": hover, "showlegend": False}
    top = _largest(rows, "left_a", "right_a")
    same = [min(0.0, *(float(rows[c].to_numpy().min()) for c in ("left_a", "right_a"))), 1.06 * top]
    axes = {"xaxis": axis("Left motor [A]", range=same), "yaxis": axis("Right motor [A]", range=same)}
    shapes = [diagonal(top)]
    spec = {"data": [trace], "layout": layout(380, shapes=shapes, **axes)}
    note = (
        f"n = {numbers.plural(rows.height, 'braking event')}. Turning, wet ground and belt tension move dots as well."
    )
    alt = f"Scatter of {rows.height} braking events, left against right; on the dashed line both motors brake alike."
    title = "Left against right: braking current of each motor [A]"
    return [Drawn(PageFigure("brake-sides", title, alt, spec, note, height=380))]


def _worst(store: Store, facts: Facts, table: pl.DataFrame) -> list[Block]:
    """The largest unexplained shortfalls drawn in full; then, if they are few, the largest explained ones."""
    chosen = table.filter((pl.col("unexplained") > 0.5) | (pl.col("explained") > 0.5))
    chosen = chosen.sort(["unexplained", "explained"], descending=True).head(WORST)
    out: list[Block] = []
    for number, row in enumerate(chosen.iter_rows(named=True), start=1):
        start, end = micros(row["start_t"]), micros(row["end_t"])
        try:
            signals = load(store, facts.vehicle, start - LEAD_US, end + LEAD_US, PANELS, pack=facts.pack)
        except HerdbookError as problem:
            return [*out, Note(f"The signals of the worst braking events could not be read. {problem}", "absent")]
        made = stack(signals, [Panel(role) for role in PANELS], facts.zone, window=(start, end))
        if not made.spec["data"]:
            continue
        short = f"{numbers.number(row['unexplained'])} A not explained, {numbers.number(row['explained'])} A explained"
        title = (
            f"Worst braking event {number} of {chosen.height}: {numbers.span(row['start_t'], row['end_t'], facts.zone)}"
        )
        alt = f"Signals of one braking event against time: {short}."
        out.append(
            Drawn(
                PageFigure(
                    f"brake-worst-{number}",
                    title,
                    alt,
                    made.spec,
                    f"Short by {short}. {made.note}",
                    height=int(made.spec["layout"]["height"]),
                    zoom=made.zoom,
                )
            )
        )
    return out
