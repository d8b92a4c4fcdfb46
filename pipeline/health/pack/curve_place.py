"""The pack held against its type at one place of the curve that every pack passes (metrics/curve_step.py).

What the report says there, and what the pack takes from there to full, are compared with the fleet's figures: how far
sound packs differ is their spread, so that no table of a curve and no notion of what is full comes in; a pack that
has lost lithium, which moves full towards the step, differs for that reason too. A charge whose
step stands at another voltage than the fleet's passed another step and is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.health.pack.charge_ledger import sensor_zero
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import lately, metric_rows, reference, windows
from herdbook.pipeline.health.reference import LEAST_VEHICLES
from herdbook.pipeline.health.rule import Record, Window

# Spreads of the fleet's voltage at the step within which it is the same step, and the most, V: steps lie 40 mV and more
# apart (engineering choices).
SAME, MOST_APART_V = 4.0, 0.03
STOPS = 97.0  # %: from here on a report may stand still, or be set right (engineering choice)
MOST_ZERO_C = 0.01  # a zero of the current sensor beyond which no count holds, as for the knee (engineering choice)


@dataclass(frozen=True, slots=True)
class OfFleet:
    """What the pack holds over what the fleet's packs hold, %, with its standard error; charges behind it; packs that
    the fleet's figure is from: of two it is the better's, of three or four the second best's."""

    pct: float
    se: float
    charges: int
    packs: int
    windows: tuple[Window, ...]
    seconds: float


def report_at_step(record: Record, days: float) -> tuple[pl.DataFrame, float]:
    """One row a charge: reported charge at the step less what the fleet's packs report there, in %, as
    charge_off.readings_off() has it for anchors; and how far sound packs differ. No rows where no fleet is known."""
    known = reference(record, "charge_step_soc_pct")
    rows = _at_the_step(record, "charge_step_soc_pct", days)
    usual, spread = (known.value, known.spread) if known is not None else (None, 0.0)
    rows = rows.with_columns(
        gap=pl.col("value") - pl.lit(usual, pl.Float64),
        se_pct=pl.col("se"),
        session_start_t=pl.col("start_t"),
        session_end_t=pl.col("end_t"),
    )
    return rows if known is not None else rows.clear(), spread


def held_of_fleet(record: Record, days: float) -> OfFleet | None:
    """By the charge between the step and full; None where no such charge, or no fleet, is known, or the current's zero
    is off."""
    known = reference(record, "charge_step_to_full_pct")
    rows = _at_the_step(record, "charge_step_to_full_pct", days)
    rated = record.profile.pack_figures.rated_ah
    if known is None or not rows.height or abs(sensor_zero(record.metrics).amps) > MOST_ZERO_C * rated:
        return None
    value, own = pool(rows["value"].to_numpy(), rows["se"].cast(pl.Float64).to_numpy())
    pct = 100.0 * value / known.value
    return OfFleet(
        pct=pct,
        se=pct * float(np.hypot(own / value, known.spread / known.value)),
        charges=rows.height,
        packs=known.n,
        windows=windows(rows.with_columns(size=-pl.col("value")), "size"),
        seconds=float((rows["end_t"] - rows["start_t"]).dt.total_seconds().sum()),
    )


def ended_at(record: Record, days: float) -> pl.DataFrame:
    """One row a charge: `pct`, at which charge it ended by its report, less what the report is off at the step in the
    same charge, with `pct_se`; and `lacks`, what it lacked of the fleet's charge from the step to full, in % of rated,
    with `lacks_se`; null where not known, as where the report stands at its stop. Rows: start_t."""
    said, spread = report_at_step(record, days)
    highest = metric_rows(record, "pack_soc_highest_pct").select("start_t", highest="value").unique("start_t")
    by_report = said.join(highest.filter(pl.col("highest") < STOPS), on="start_t", how="inner").select(
        "start_t", pct=pl.col("highest") - pl.col("gap"), pct_se=(pl.col("se_pct") ** 2 + spread**2).sqrt()
    )
    rows, known = _at_the_step(record, "charge_step_to_end_pct", days), reference(record, "charge_step_to_full_pct")
    majority = known is not None and known.n >= LEAST_VEHICLES  # the best of few takes more than a usual pack
    whole, apart = (known.value, known.spread) if known is not None and majority else (None, None)
    by_charge = rows.select(
        "start_t",
        lacks=pl.lit(whole, pl.Float64) - pl.col("value"),
        lacks_se=(pl.col("se") ** 2 + pl.lit(apart, pl.Float64) ** 2).sqrt(),
    )
    return by_report.join(by_charge, on="start_t", how="full", coalesce=True)


def _at_the_step(record: Record, name: str, days: float) -> pl.DataFrame:
    """Rows of a figure of the charges that passed the fleet's step."""
    rows = lately(record, metric_rows(record, name), days)
    known = reference(record, "charge_step_v")
    if known is None:
        return rows.clear()
    near = min(SAME * known.spread, MOST_APART_V)
    volts = metric_rows(record, "charge_step_v").select("start_t", volts="value").unique("start_t")
    return rows.join(volts, on="start_t", how="inner", maintain_order="left").filter(
        (pl.col("volts") - known.value).abs() <= near
    )
