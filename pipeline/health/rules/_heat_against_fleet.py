"""What the heat rules share: cautions, and a vehicle's heat ratio as a multiple of the fleet's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import Reference, metric_rows, recent, reference, seconds, windows
from herdbook.pipeline.health.reference import OWN_RESISTANCE, PER_MOHM
from herdbook.pipeline.health.rule import Finding, Record
from herdbook.pipeline.health.sentences import of_side, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, largest, middle

PACK_CAUTION = (
    "A pack that heats without cause can burn. Stop using and charging it on odour, smoke, leak, swelling or growing "
    "heat; keep away from it and call the fire service.",
    "Do not open a pack: its energy cannot be switched off. Work on it is for licensed people; damaged lithium packs "
    "have their own transport rules. Local rules come first.",
    "A nightly look at logs is no alarm: it cannot replace the protection in the vehicle.",
)
DRIVE_CAUTION = (
    "Motor cans and heat sinks at 70 °C are within their limits and can still burn skin: let them cool first.",
    "Power off and secure the vehicle before touching the drive; local rules come first.",
)
UNFITTED_SPREAD = 0.25  # between vehicles, when only the profile's own figures are known: engineering choice


@dataclass(frozen=True, slots=True)
class Multiple:
    """Sessions of one item with `multiple` (measured over fleet) and `se_multiple`; pooled value and its error; spread:
    between healthy vehicles, as a share; vehicles: behind the fleet's figure, 0 = the maker's figures."""

    rows: pl.DataFrame
    value: float
    se: float
    spread: float
    vehicles: int


def too_hot(side: str, what: str, rows: pl.DataFrame, limit: float, signals: tuple[str, ...]) -> Finding | None:
    """The finding of a part that passed its limit in at least two rides; rows: highest temperature of each, degC."""
    hit = rows.filter(pl.col("value") > limit)
    if hit.height < 2:
        return None
    top = largest(hit["value"])
    return Finding(
        severity=Severity.SERVICE,
        item=side,
        measured=top,
        limit=limit,
        unit="degC",
        statement=f"The {of_side(side, what)} passed {spell(limit, 'degC')} in {hit.height} of {rows.height} rides, "
        f"{spell(top, 'degC')} at most.",
        se=2.0,
        confidence=0.95,
        persistence=hit.height / rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "value"),
        signals=signals,
    )


def multiple(record: Record, name: str, item: str, limits: dict[str, float], fitted: bool) -> Multiple | None:
    """The newest sessions' heat ratio over the fleet's. fitted: the profile has the model's figures, so that
    rides can be judged by them where the fleet has none. None when too few sessions can be judged.

    The pack's ratio is taken over the vehicle's own resistance where both are known: what high resistance
    explains is another rule's subject."""
    rows = metric_rows(record, name, item)
    rows = rows.filter(pl.col("se") < limits["largest_se"] * pl.max_horizontal("value", pl.lit(1.0)))
    rows = recent(rows, limits["days"], 40)
    own = middle(recent(metric_rows(record, OWN_RESISTANCE), limits["days"])["value"]).value
    kinds = sorted(set(rows["kind"].to_list()))
    per_own = {kind: reference(record, PER_MOHM, kind) for kind in kinds}
    scaled = name == "pack_heat_ratio" and own > 0 and any(per_own.values())
    known = per_own if scaled else {kind: _known(record, name, kind, fitted) for kind in kinds}
    usable = {kind: ref for kind, ref in known.items() if ref is not None}
    rows = rows.filter(pl.col("kind").is_in(list(usable)))
    if rows.height < limits["sessions"]:
        return None
    factor = own if scaled else 1.0
    expected = pl.col("kind").replace_strict({k: r.value * factor for k, r in usable.items()}, return_dtype=pl.Float64)
    rows = rows.with_columns(multiple=pl.col("value") / expected, se_multiple=pl.col("se") / expected)
    value, se = pool(rows["multiple"].to_numpy(), rows["se_multiple"].to_numpy())
    spread = max(usable[k].spread / usable[k].value for k in set(rows["kind"].to_list()))
    return Multiple(rows, value, float(np.hypot(se, 0.02)), spread, min(r.n for r in usable.values()))


def warmer_than_fleet(
    side: str,
    known: Multiple,
    limits: Mapping[str, float],
    statement: str,
    signals: tuple[str, ...],
    not_separable: str,
) -> Finding | None:
    """The finding of a part of the drive that surely warms by more than `ratio` and `sigmas` allow."""
    limit = 1.0 + max(limits["ratio"], limits["sigmas"] * known.spread)
    if known.value - 2.0 * known.se < limit:
        return None
    hit = known.rows.filter(pl.col("multiple") > limit)
    return Finding(
        severity=Severity.SERVICE,
        item=side,
        measured=known.value,
        limit=limit,
        unit="1",
        statement=statement,
        se=known.se,
        confidence=confidence(known.value, limit, known.se),
        persistence=hit.height / known.rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "multiple"),
        signals=signals,
        not_separable=not_separable,
    )


def _known(record: Record, name: str, kind: str, fitted: bool) -> Reference | None:
    found = reference(record, name, kind) or reference(record, name)
    if found is not None and found.value > 0:
        return found
    return Reference(1.0, UNFITTED_SPREAD, 0) if fitted and kind in ("ride", "bench") else None
