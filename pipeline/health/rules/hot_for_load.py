"""The pack, or one place in it, gets warmer than its load explains.

A lumped model of the pack turns current, cell temperature and air temperature into the rise the load
explains. The ratio of measured to explained rise is compared with the fleet's healthy majority (fitted once,
frozen with the rule set), so that a hot day, a hard rider and a wrong heat capacity in the profile cancel.
Not judged on rises under 0.5 K, through holes in the current, or with the air temperature unknown.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.health.evidence import (
    Middle,
    Reference,
    confidence,
    largest,
    metric_rows,
    middle,
    seconds,
    spell,
    windows,
)
from pipeline.health.examples import days, fleet, record
from pipeline.health.model import Finding, Limit, NotAssessed, Record, Rule
from pipeline.health.rules._heat import PACK_CAUTION, expected_ratio
from pipeline.metrics.model import Metric

FIGURES = (("pack", "heat_capacity_j_per_k"), ("pack", "heat_loss_w_per_k"), ("pack", "cell_r10s_mohm"))


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    fleet_ratio = expected_ratio(record, "pack_heat_ratio", FIGURES)
    if fleet_ratio is None:
        return NotAssessed(
            "no fleet reference, and the profile has no heat_capacity_j_per_k, heat_loss_w_per_k"
        )
    explained = metric_rows(record, "pack_heat_explained_k").select("start_t", explained_k="value")
    rows = metric_rows(record, "pack_heat_ratio").join(explained, on="start_t")
    rows = rows.filter(pl.col("se") < limits["largest_se"])
    if rows["start_t"].n_unique() < limits["sessions"]:
        return NotAssessed(
            f"only {rows['start_t'].n_unique()} sessions with enough load to judge the heat by"
        )
    found = []
    whole = _finding(record, rows.filter(pl.col("item") == ""), "", fleet_ratio, limits)
    if whole is not None:
        found.append(whole)
    for item in sorted(set(rows["item"].to_list()) - {""}):
        one = _finding(record, rows.filter(pl.col("item") == item), item, fleet_ratio, limits)
        if one is not None and (whole is None or one.measured > 1.3 * whole.measured):
            found.append(one)
    return found


def _finding(
    record: Record, rows: pl.DataFrame, item: str, fleet_ratio: Reference, limits: Mapping[str, float]
) -> Finding | None:
    if rows.height < limits["sessions"]:
        return None
    rows = rows.with_columns(excess_k=(pl.col("value") - fleet_ratio.value) * pl.col("explained_k"))
    mid: Middle = middle(rows["value"], least_se=0.02)
    limit = fleet_ratio.value + max(limits["ratio"], limits["sigmas"] * fleet_ratio.spread)
    excess = middle(rows["excess_k"])
    if mid.value - 2.0 * mid.se < limit or largest(rows["excess_k"]) < limits["excess"]:
        return None
    hit = rows.filter(pl.col("value") > limit)
    where = f"sensor {item}" if item else "the pack"
    basis = f"{fleet_ratio.n} vehicles" if fleet_ratio.n else "the maker's figures"
    return Finding(
        "service",
        f"sensor {item}" if item else "",
        mid.value,
        limit,
        "1",
        f"Over {rows.height} sessions {where} warmed {spell(mid.value / fleet_ratio.value, 'times')} as much "
        f"as its load "
        f"explains by {basis}: {spell(excess.value, 'K', excess.se)} too warm in the middle of them.",
        se=mid.se,
        confidence=confidence(mid.value, limit, mid.se) * (1.0 if fleet_ratio.n else 0.8),
        persistence=hit.height / rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "excess_k"),
        signals=("cell_temp", "pack_current", "ambient_temp"),
        not_separable="More heat made (high resistance, see the cell findings) or less heat lost (blocked "
        "cooling, "
        "covered pack): the resistance at 25 degC separates them."
        if not item
        else "A hot joint beside the sensor or a sensor reading high: a second thermometer on the spot "
        "separates them.",
    )


def _case(
    ratio: float, sessions: int = 5, item: str = "", se: float = 0.03, **fitted: tuple[float, float]
) -> Record:
    parts = [
        Metric("pack_heat_ratio", 1.0 if item else ratio, "1", se, 300),
        Metric("pack_heat_explained_k", 8.0, "K"),
    ]
    if item:
        parts.append(Metric("pack_heat_ratio", ratio, "1", se, 300, item=item))
    figures = [(name, *pair, "1") for name, pair in fitted.items()]
    own = {"heat_capacity_j_per_k": 8600.0, "heat_loss_w_per_k": 1.9, "cell_r10s_mohm": 2.0}
    return record(*days(sessions, "ride", *parts), reference=fleet(*figures), pack=own)


RULE = Rule(
    id="hot_for_load",
    title="Warmer than its load explains",
    subsystem="thermal",
    severity="service",
    needs=("pack_heat_ratio",),
    roles=("cell_temp", "pack_current", "ambient_temp"),
    limits=(
        Limit("ratio", 0.3, "1", "above the fleet's ratio: engineering choice"),
        Limit("sigmas", 4.0, "1", "or this many robust spreads of the fleet: engineering choice"),
        Limit("excess", 2.0, "K", "in the worst session, else nobody would notice: engineering choice"),
        Limit("sessions", 3, "sessions", "one odd day proves nothing: engineering choice"),
        Limit("largest_se", 0.25, "1", "sessions known less well are left out: engineering choice"),
    ),
    judge=judge,
    meaning="More heat arises in the pack, or less leaves it, than in healthy vehicles under the same load.",
    causes=(
        "High resistance of one or more groups, or of a joint or connector",
        "Cooling path blocked: dirt, a cover, a displaced thermal pad",
        "A temperature sensor reading high",
        "Current sensor reading low, so that the load looks smaller than it is",
    ),
    bench=(
        "Read the resistance per group at 25 degC in the cell findings first",
        "Look at the pack from outside with a thermal camera under a steady load",
        "Compare the logged current with a clamp meter",
        "After a night's rest compare all sensors with a thermometer",
    ),
    cautions=PACK_CAUTION,
    source="lumped model; LFP pack thermal parameters: doi:10.3390/batteries8100147; fleet ratio: this store",
    fires_on=(
        _case(1.6, pack_heat_ratio=(1.0, 0.05)),
        _case(2.4),
        _case(1.9, item="3", pack_heat_ratio=(1.0, 0.05)),
    ),
    quiet_on=(
        _case(1.1, pack_heat_ratio=(1.0, 0.05)),
        _case(1.6, pack_heat_ratio=(1.55, 0.05)),
        _case(1.6, pack_heat_ratio=(1.0, 0.2)),
        _case(1.6),
    ),
    unassessed_on=(
        _case(1.6, 2, pack_heat_ratio=(1.0, 0.05)),
        _case(1.6, se=0.5, pack_heat_ratio=(1.0, 0.05)),
    ),
)
