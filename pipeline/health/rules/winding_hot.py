"""A motor winding gets too hot, or hotter than its copper loss explains, or far hotter than the other one.

The copper's resistance rises with its own warmth (IEC 60034-1), which the model follows. The fleet's ratio of measured
to explained rise takes up iron loss, the sensor's place and how fast a winding parts from its can: without a fleet a
maker's one heat capacity does not tell them, and a winding is held against its twin.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, any_of, more_than_twin, only_by
from herdbook.pipeline.health.newest_level import newest_level
from herdbook.pipeline.health.reading import metric_rows, recent, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._bad_sensors import bad_drive_sensors
from herdbook.pipeline.health.rules._heat_against_fleet import (
    DRIVE_CAUTION,
    Multiple,
    multiple,
    too_hot,
    warmer_than_fleet,
)
from herdbook.pipeline.health.sentences import counted, of_side, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest
from herdbook.pipeline.vehicle.record import Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    tops = metric_rows(record, "motor_temp_max_c").filter(pl.col("coverage") > 0.5)
    if not tops.height:
        return NotAssessed("no ride with winding temperatures over half of its time")
    found = []
    bad = bad_drive_sensors(record, "motor")
    sides = sorted(set(tops["item"].to_list()) - bad)
    if not sides:
        return NotAssessed("no winding's sensor can be believed: see the finding on temperature sensors")
    for side in sides:
        known = multiple(record, "winding_heat_ratio", side, dict(limits), fitted=False)
        warm = _for_load(side, known, limits) if known is not None else None
        hot = warm or (None if bad else _against_twin(record, side, limits))
        hot = hot or _hot(record, side, tops.filter(pl.col("item") == side), limits)
        if hot is not None:
            found.append(hot)
    return found


def _hot(record: Record, side: str, rows: pl.DataFrame, limits: Mapping[str, float]) -> Finding | None:
    own = record.profile.drive_figures.winding_max_c
    limit = limits["highest"] if own is None else own
    return too_hot(side, "winding", rows, limit, ("motor_temp", "motor_current", "motor_speed"))


def _against_twin(record: Record, side: str, limits: Mapping[str, float]) -> Finding | None:
    """Its twin had the same ride: no fleet and no figures of the maker are needed."""
    every = recent(metric_rows(record, "winding_side_ratio"), limits["days"], 40)
    # where the twin was the hotter one, this one stood under it
    mine = pl.col("item") == side
    # judged by how much less the twin warmed: a ratio over the small rise of a cool twin has no even error
    rows = every.with_columns(
        ratio=pl.when(mine).then("value").otherwise(1.0 / pl.col("value")),
        less=pl.when(mine).then(1.0 - 1.0 / pl.col("value")).otherwise(1.0 - pl.col("value")),
        less_se=pl.when(mine).then(pl.col("se") / pl.col("value") ** 2).otherwise("se"),
    )
    limit = 1.0 - 1.0 / (1.0 + limits["twin"])
    level = newest_level(rows["less"].to_numpy(), rows["less_se"].to_numpy(), limit)
    if level is None or level.chance > limits["chance"] or (level.first == rows.height - 1 and rows.height > 1):
        return None
    rows = rows.slice(level.first)
    twins = 1.0 - level.value  # what its twin warmed, as a share
    open_end = twins < 2.0 * level.se
    times = 1.0 / (twins + 2.0 * level.se) if open_end else 1.0 / twins
    times_se = level.se * times**2
    words = f"at least {spell(times, 'times')}" if open_end else spell(times, "times", times_se)
    hit = rows.filter(pl.col("ratio") > 1.0 + limits["twin"])
    apart = metric_rows(record, "winding_side_k", side)["value"]
    return Finding(
        severity=Severity.SERVICE,
        item=side,
        measured=times,
        limit=1.0 + limits["twin"],
        unit="1",
        statement=f"Over {counted(rows.height, 'ride')} the {of_side(side, 'winding')} warmed "
        f"{words} as much as its twin at equal copper loss, "
        f"{spell(largest(apart), 'K')} further at most.",
        se=times_se,
        confidence=min(1.0 - level.chance, 0.98),
        persistence=hit.height / rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "ratio"),
        signals=("motor_temp", "motor_current", "motor_speed", "ambient_temp"),
        not_separable="Higher winding resistance, weaker magnets or worse cooling: the winding's resistance and the "
        "no-load volts per speed, both cold, separate them.",
    )


def _for_load(side: str, known: Multiple, limits: Mapping[str, float]) -> Finding | None:
    return warmer_than_fleet(
        side,
        known,
        limits,
        statement=f"Over {counted(known.rows.height, 'ride')} the {of_side(side, 'winding')} warmed "
        f"{spell(known.value, 'times', known.se)} as much as its current explains by {known.vehicles} "
        f"healthy vehicles.",
        signals=("motor_temp", "motor_current", "motor_speed", "ambient_temp"),
        not_separable="Higher winding resistance, weaker magnets or worse cooling: the winding's resistance and the "
        "no-load volts per speed, both cold, separate them.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, fleet, record

    def case(ratio: float, sessions: int = 5, top: float = 90.0, fitted: bool = True) -> Record:
        parts = (
            Metric("winding_heat_ratio", ratio, "1", 0.04, 200, item="left"),
            Metric("winding_heat_ratio", 1.0, "1", 0.04, 200, item="right"),
            Metric("motor_temp_max_c", top, "degC", n=300, item="left"),
        )
        known = fleet(("winding_heat_ratio", 1.0, 0.06, "1")) if fitted else None
        return record(*days(sessions, "ride", *parts), reference=known)

    def twins(ratio: float, rides: int = 4) -> Record:
        parts = (
            Metric("winding_side_ratio", ratio, "1", 0.15, 200, item="left"),
            Metric("winding_side_k", 10.0, "K", 0.7, 200, item="left"),
            Metric("motor_temp_max_c", 60.0, "degC", n=300, item="left"),
            Metric("motor_temp_max_c", 50.0, "degC", n=300, item="right"),
        )
        return record(*days(rides, "ride", *parts))

    return Cases(
        fires_on=(case(1.7), case(1.0, top=150.0), twins(2.4), twins(2.8, rides=1)),
        quiet_on=(case(1.1), case(1.2, fitted=False), case(1.0, sessions=1, top=150.0), twins(1.3)),
        unassessed_on=(record(*days(3, "ride", Metric("motor_temp_max_c", 60.0, "degC", coverage=0.2, item="left"))),),
    )


RULE = Rule(
    id="winding_hot",
    title="Motor winding too hot",
    subsystem="thermal",
    severity=Severity.SERVICE,
    needs=("motor_temp_max_c",),
    roles=("motor_temp", "motor_current", "ambient_temp"),
    must=("motor_temp", "motor_current"),
    limits=(
        Limit("highest", 130.0, "degC", "class B hot spot, IEC 60085; the profile's winding_max_c wins"),
        Limit("ratio", 0.35, "1", "above the fleet's ratio: engineering choice"),
        Limit("sigmas", 4.0, "1", "or this many robust spreads of the fleet: engineering choice"),
        Limit("twin", 0.5, "1", "more than its twin in the same rides: engineering choice"),
        Limit("chance", 0.003, "1", "of no more than that, over all starts tried: engineering choice"),
        Limit("sessions", 3, "sessions", "engineering choice"),
        Limit("days", 21.0, "days", "the newest rides only, at most 40: engineering choice"),
        Limit("largest_se", 0.25, "1", "rides known less well are left out: engineering choice"),
    ),
    judge=judge,
    meaning="Insulation ages fast above its class, and hot magnets can lose strength for good.",
    causes=(
        Cause(
            "Cooling blocked, or a motor fed more current than its share",
            any_of(more_than_twin(), only_by("a look at the cooling path")),
        ),
        Cause(
            "Rising winding resistance: a joint, a broken strand", only_by("the resistance of all three phases, cold")
        ),
        Cause(
            "Magnets weakened by earlier heat: the same torque then takes more current",
            only_by("the no-load volts per speed, cold and belt off"),
        ),
        Cause("A dragging belt or bearing", also_found("drag_high")),
    ),
    bench=(
        "Cold: winding resistance of all three phases, both motors",
        "Cold, belt off: no-load volts per speed against the data sheet",
        "Turn the wheel by hand: drag, bearing, belt tension",
    ),
    cautions=DRIVE_CAUTION,
    source="thermal classes: IEC 60085; copper: IEC 60034-1 (235 + T)",
    version=4,
    cases=_cases,
)
