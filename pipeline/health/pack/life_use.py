"""What one pack has been through, over many sessions: cycles by depth, equivalent full cycles, ageing, efficiency.

    use = life_use(metrics, events)     one vehicle's rows, as the catalogue keeps them
    use.figures                         metrics with unit, standard error, n and coverage, explained in MEANING
    use.not_known                       reason by name, for what the record does not support

Depth of cycles: rainflow over the turning points of all sessions together, so that a cycle may span days and no
border of a file halves it. A session begins at the state of charge that the pack reports, where it does; so a count
that drifts does not pile up. The reports alone tell what happened between sessions: `life_unseen_pct`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.health.pack.round_trip import round_trips
from herdbook.pipeline.health.pack.voltage_efficiency import voltage_efficiency
from herdbook.pipeline.metrics.pack_cycles import BANDS, LEAST_PCT
from herdbook.pipeline.science.arrhenius import equivalent_temp_c
from herdbook.pipeline.science.rainflow import count, full_cycles, reversals
from herdbook.pipeline.vehicle.chemistry import USUAL, chemistry
from herdbook.pipeline.vehicle.record import Metric

__all__ = ["MEANING", "LifeUse", "life_use"]

MEANING: dict[str, tuple[str, str]] = {
    "life_cycles": ("1", "Cycles of charge by depth, counted across sessions; 0.5 for a half cycle left open."),
    "life_full_cycles": ("1", "The same added up by depth: equivalent full cycles, swings under 2 % left out."),
    "life_throughput_cycles": ("1", "Equivalent full cycles from all charge in and out, small swings included."),
    "life_unseen_pct": ("%", "Change of reported charge between sessions, summed: not recorded, yet in the cycles."),
    "life_span_h": ("h", "From the first session to the end of the last."),
    "life_recorded_h": ("h", "Hours of that with a known cell temperature."),
    "life_age_h_25c": ("h", "Hours at 25 degC that age as much as the recorded ones (Arrhenius): a rule of thumb."),
    "life_age_temp_c": ("degC", "The constant temperature that ages as much in the same hours."),
    "life_temp_h": ("h", "Hours by temperature of the hottest cell sensor."),
    "life_voltage_h": ("h", "Hours by voltage of the highest group."),
    "life_round_trip": ("1", "Energy out over energy in, from full to full; median over the trips."),
    "life_voltage_efficiency": (
        "1",
        "Volts in rides over volts in charges at equal charge: the most of a charger's energy that comes back.",
    ),
}


@dataclass(frozen=True, slots=True)
class LifeUse:
    """figures: in the order of MEANING. not_known: reason by name of a figure that is missing."""

    figures: tuple[Metric, ...]
    not_known: dict[str, str]


def life_use(metrics: pl.DataFrame, events: pl.DataFrame, ageing_ea_ev: float | None = None) -> LifeUse:
    """Figures of a pack's whole use.

    metrics: start_t, name, item, value, se, n, coverage of its sessions. events: session_start_t, kind, item, start_t
    and either data (list of key/value) or keys and numbers. ageing_ea_ev: as the sessions were measured with it,
    pack_figures.ageing_ea_ev; None: the usual chemistry's. Cut both to the sessions of one pack where it was swapped.
    """
    ea_ev = chemistry(USUAL).ageing_ea_ev if ageing_ea_ev is None else ageing_ea_ev
    parts = (
        _cycles(metrics, events),
        _throughput(metrics),
        _ageing(metrics, ea_ev),
        _trips(metrics, events),
        _returned(metrics),
    )
    figures = [f for found, _ in parts for f in found]
    order = list(MEANING)
    figures.sort(key=lambda f: order.index(f.name))
    return LifeUse(tuple(figures), {name: why for _, missing in parts for name, why in missing.items()})


Part = tuple[list[Metric], dict[str, str]]


def _values(metrics: pl.DataFrame, name: str) -> pl.DataFrame:
    return metrics.filter(pl.col("name") == name, pl.col("value").is_finite()).sort("start_t", "item")


def _cycles(metrics: pl.DataFrame, events: pl.DataFrame) -> Part:
    """Rainflow over the levels of all sessions, each begun at its reported charge or where the last one ended."""
    turns = events.filter(pl.col("kind") == "charge_turn").sort("session_start_t", "start_t", maintain_order=True)
    if not turns.height:
        return [], dict.fromkeys(("life_cycles", "life_full_cycles", "life_unseen_pct"), "no session shows a cycle")
    reported = {name: _by_session(metrics, f"pack_soc_{name}_pct") for name in ("start", "end")}
    levels: list[Floats] = []
    last, unseen, gaps = 0.0, 0.0, 0
    ended: float | None = None
    for (start,), part in turns.group_by(["session_start_t"], maintain_order=True):
        path = _levels(part)
        begun = reported["start"].get(start)
        if begun is not None and ended is not None:
            unseen, gaps = unseen + abs(begun - ended), gaps + 1
        ended = reported["end"].get(start)
        levels.append((begun if begun is not None else last) + path - path[0])
        last = float(levels[-1][-1])
    cycles = count(reversals(np.concatenate(levels), LEAST_PCT)[0])
    n = len(levels)
    figures = [
        Metric(
            name="life_cycles",
            value=sum((k for size, k in cycles.items() if low <= size < high), 0.0),
            unit="1",
            se=None,
            n=n,
            coverage=1.0,
            item=f"{low}-{min(high, 100)} %",
        )
        for low, high in BANDS
    ]
    figures.append(Metric("life_full_cycles", full_cycles(cycles), "1", 0.01 * full_cycles(cycles), n))
    if not gaps:
        return figures, {"life_unseen_pct": "the pack does not report its charge at both ends of its sessions"}
    return [*figures, Metric("life_unseen_pct", unseen, "%", None, gaps)], {}


def _levels(turns: pl.DataFrame) -> Floats:
    """Turning points of one session in per cent of rated charge, counted from its start."""
    if "keys" in turns.columns:
        rows = zip(turns["keys"].to_list(), turns["numbers"].to_list(), strict=True)
        return np.array([dict(zip(k, v, strict=True))["level_pct"] for k, v in rows])
    return np.array([{p["key"]: p["value"] for p in row}["level_pct"] for row in turns["data"].to_list()])


def _by_session(metrics: pl.DataFrame, name: str) -> dict[object, float]:
    rows = _values(metrics, name)
    return dict(zip(rows["start_t"].to_list(), rows["value"].to_list(), strict=True))


def _throughput(metrics: pl.DataFrame) -> Part:
    rows = _values(metrics, "pack_cycles_efc")
    if not rows.height:
        return [], {"life_throughput_cycles": "no session has a pack current"}
    # Gain and zero of one sensor are alike in all sessions: their errors add up, they do not average out.
    se = float(rows["se"].fill_null(0.0).sum())
    total, cover = float(rows["value"].sum()), float(rows["coverage"].to_numpy().mean())
    return [Metric(name="life_throughput_cycles", value=total, unit="1", se=se, n=rows.height, coverage=cover)], {}


def _ageing(metrics: pl.DataFrame, ea_ev: float) -> Part:
    figures: list[Metric] = []
    missing: dict[str, str] = {}
    lengths = _values(metrics, "session_h")
    span = 0.0
    if lengths.height:
        starts = lengths["start_t"].cast(pl.Int64).to_numpy() / 3.6e9
        span = float((starts + lengths["value"].to_numpy()).max() - starts.min())
        figures.append(Metric("life_span_h", span, "h", None, lengths.height))
    hours, aged = (float(_values(metrics, name)["value"].sum()) for name in ("pack_hours", "pack_age_hours_25c"))
    n = _values(metrics, "pack_hours").height
    if hours > 0:
        cover = min(1.0, hours / span) if span else 1.0
        figures += [
            Metric(name="life_recorded_h", value=hours, unit="h", se=None, n=n, coverage=cover),
            Metric(name="life_age_h_25c", value=aged, unit="h", se=None, n=n, coverage=cover),
            Metric(
                name="life_age_temp_c",
                value=equivalent_temp_c(ea_ev, aged / hours),
                unit="degC",
                se=None,
                n=n,
                coverage=cover,
            ),
        ]
    else:
        names = ("life_recorded_h", "life_age_h_25c", "life_age_temp_c")
        missing = dict.fromkeys(names, "no session has a cell temperature")
    for name, source in (("life_temp_h", "temp_hours"), ("life_voltage_h", "voltage_hours")):
        rows = _values(metrics, source)
        bands = rows.group_by("item", maintain_order=True).agg(pl.col("value").sum(), pl.len())
        for item, hours_in, count_in in sorted(bands.rows(), key=_band):
            figures.append(
                Metric(name=name, value=float(hours_in), unit="h", se=None, n=int(count_in), coverage=1.0, item=item)
            )
        if not rows.height:
            missing[name] = f"no session has cell {'temperatures' if 'temp' in name else 'voltages'}"
    return figures, missing


def _band(row: tuple[str, float, int]) -> tuple[float, bool]:
    """Order of bands: below 0 degC, 0 to 10 degC, ..., 60 degC and more."""
    words = row[0].split()
    return (float(words[1]), False) if words[0] == "below" else (float(words[0]), True)


def _returned(metrics: pl.DataFrame) -> Part:
    found, why = voltage_efficiency(metrics)
    if found is None:
        return [], {"life_voltage_efficiency": why}
    share = (found.high_pct - found.low_pct) / 100
    n = found.rides + found.charges
    return [Metric(name="life_voltage_efficiency", value=found.value, unit="1", se=found.se, n=n, coverage=share)], {}


def _trips(metrics: pl.DataFrame, events: pl.DataFrame) -> Part:
    trips, why = round_trips(metrics, events)
    if not trips:
        return [], {"life_round_trip": why}
    value, own = np.array([t.value for t in trips]), np.array([t.se for t in trips])
    scatter = 1.2533 * float(value.std(ddof=1)) / np.sqrt(value.size) if value.size > 1 else 0.0
    se = max(scatter, float(1.2533 * np.median(own) / np.sqrt(value.size)) if value.size > 1 else float(own[0]))
    return [Metric("life_round_trip", float(np.median(value)), "1", se, value.size)], {}
