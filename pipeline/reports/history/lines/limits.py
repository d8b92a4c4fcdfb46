"""The lines about stated limits: how long the record lies outside them, and in how many sessions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import polars as pl

from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.statement import Source, Statement
from herdbook.pipeline.reports.words import numbers


@dataclass(frozen=True, slots=True)
class Bound:
    """metric: what a session spent outside, summed. limit: key of the profile's pack table. sides: {} is the limit."""

    metric: str
    limit: str
    unit: str
    words: str


BOUNDS = (
    Bound("cell_over_s", "cell_max_v", "V", "Time with a group of cells above its highest stated voltage ({})"),
    Bound("cell_under_s", "cell_min_v", "V", "Time with a group of cells below its lowest stated voltage ({})"),
    Bound("cold_charge_ah", "charge_min_c", "degC", "Charge taken in with a cell below the stated limit for it ({})"),
    Bound("contactor_opened_loaded", "", "", "Openings of the pack's main switch while current flowed"),
    Bound("derated_s", "", "", "Time in which the controller reduced its torque by itself"),
)


def lines(given: HistoryContext, bounds: Sequence[Bound] = BOUNDS) -> Iterator[Statement]:
    sessions = {s["start_t"]: s for s in given.facts.sessions}
    outside = False
    for bound in bounds:
        rows = given.facts.metrics.filter(
            pl.col("name") == bound.metric, pl.col("item") == "", pl.col("start_t").is_in(list(sessions))
        )
        if not rows.height:
            text = f"{_name(given, bound)}: not measurable in the data available."
            yield Statement("limits", text, "not known")
            continue
        total, hit = float(rows["value"].sum()), rows.filter(pl.col("value") > 0)
        used = [sessions[t] for t in (hit if hit.height else rows)["start_t"]]
        text = f"{_name(given, bound)}: {_amount(total, bound.metric)}"
        shown = numbers.plural(rows.height, "session that shows it", "sessions that show it")
        text += f", in {hit.height} of the {shown}" if hit.height else f", in the {shown}"
        text += f", last on {given.reader.day(used[-1]['start_t'])}." if hit.height else "."
        outside |= bool(hit.height)
        logs = tuple(dict.fromkeys(g for s in used for g in s["logs"]))
        unit, start, end = str(rows["unit"][0]), used[0]["start_t"], used[-1]["end_t"]
        source = Source("metrics", {"name": (bound.metric,), "item": ("",)})
        yield Statement(
            "limits", text, "computed", start, end, value=round(total, 6), unit=unit, logs=logs, source=source
        )
    if outside:
        text = (
            "Whether the vehicle's own protection acted, or could have, is not told by these sums; the findings name "
            "what was recorded about it. Times without a record are in none of them."
        )
        yield Statement("limits", text, "not known")


def _name(given: HistoryContext, bound: Bound) -> str:
    if not bound.limit:
        return bound.words
    value = getattr(given.profile.pack_figures, bound.limit) if given.profile else None
    said = "limit not known" if value is None else numbers.amount(value, bound.unit)
    return bound.words.format(said)


def _amount(total: float, metric: str) -> str:
    if not total:
        return "none"
    if metric.endswith("_s"):
        return numbers.duration(total)
    return numbers.amount(total, "Ah") if metric.endswith("_ah") else numbers.count(round(total))
