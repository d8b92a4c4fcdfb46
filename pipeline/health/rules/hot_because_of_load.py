"""The pack was hot, in line with what was asked of it. Not a defect: a use at the limits, or a limit set too late."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, over, while_highest
from herdbook.pipeline.health.reading import event_table, metric_rows, only, reference, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, of_chemistry
from herdbook.pipeline.health.rules._bad_sensors import bad_cell_sensors
from herdbook.pipeline.health.rules._heat_against_fleet import PACK_CAUTION
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import largest, mean
from herdbook.pipeline.vehicle.record import Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rows = metric_rows(record, "cell_temp_max_c").filter(pl.col("coverage") > 0.5)
    if not rows.height:
        return NotAssessed("no session with cell temperatures over half of its time")
    rows = _believed(record, rows)
    own = record.profile.pack_figures.discharge_max_c
    stop = limits["stop"] if own is None else own
    hit = only(rows, rows["value"].to_numpy() >= limits["warm"])
    if not hit.height:
        return []
    ratio = metric_rows(record, "pack_heat_ratio", "").select("start_t", ratio="value")
    hit = hit.join(ratio, on="start_t", how="left")
    if hit.height < 2 and largest(hit["value"]) < stop:
        return []
    top = largest(hit["value"])
    load = mean(hit["ratio"])
    fleet = reference(record, "pack_heat_ratio", "ride")
    usual = fleet.value if fleet is not None else 1.0
    idle = event_table(record, "idle_rise", ("rate_k_min",)).filter(pl.col("rate_k_min") >= limits["idle"]).height
    other = idle > 0 or (load == load and not 0.5 * usual < load < limits["beyond"] * usual)
    if other and top < stop + limits["far"]:
        return []  # not because of its load: the rules on heat without load and beyond load say what it is
    say = f", at {spell(load, 'times')} the rise its load explains" if 0.5 * usual < load < 3.0 * usual else ""
    return [
        Finding(
            severity=Severity.STOP_USE
            if top >= stop + limits["far"]
            else Severity.SERVICE
            if top >= stop
            else Severity.NOTE,
            item="",
            measured=top,
            limit=stop if top >= stop else limits["warm"],
            unit="degC",
            statement=f"In {hit.height} of {rows.height} sessions a cell sensor reached "
            f"{spell(limits['warm'], 'degC')} or more, {spell(top, 'degC')} at most{say}.",
            se=1.0,
            confidence=0.95,
            persistence=hit.height / rows.height,
            count=hit.height,
            duration_s=seconds(hit),
            windows=windows(hit, "value"),
            signals=("cell_temp", "pack_current", "ambient_temp", "derate"),
            not_separable=""
            if load == load
            else "Hot because of load or for another reason: not in these data, since the air temperature or the "
            "current is missing; log both.",
        )
    ]


def _believed(record: Record, rows: pl.DataFrame) -> pl.DataFrame:
    """The highest of the sensors that can be believed, where one cannot."""
    bad = [f"cell {item}" for item in sorted(bad_cell_sensors(record))]
    if not bad:
        return rows
    every = metric_rows(record, "temp_highest_c").filter(pl.col("item").str.starts_with("cell "))
    good = every.filter(~pl.col("item").is_in(bad)).group_by("start_t").agg(highest=pl.col("value").max())
    return rows.join(good, on="start_t", maintain_order="left").with_columns(value="highest").drop("highest")


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    shorted = [Metric("temp_missing_share", 0.0, "1", item=f"cell {k}") for k in (1, 2)]
    shorted += [Metric("temp_highest_c", v, "degC", item=f"cell {k}") for k, v in ((1, 31.0), (2, 145.0))]
    shorted.append(Metric("temp_rail_share", 1.0, "1", None, 300, item="cell 2"))

    return Cases(
        fires_on=(
            record(*days(4, "ride", Metric("cell_temp_max_c", 53.0, "degC", n=360))),
            record(*days(1, "ride", Metric("cell_temp_max_c", 67.0, "degC", n=360))),
        ),
        quiet_on=(
            record(*days(9, "ride", Metric("cell_temp_max_c", 41.0, "degC", n=360))),
            record(*days(4, "ride", Metric("cell_temp_max_c", 145.0, "degC", n=360), *shorted)),
            record(
                *days(1, "ride", Metric("cell_temp_max_c", 51.0, "degC", n=360)),
                *days(5, "ride", Metric("cell_temp_max_c", 40.0, "degC", n=360), first=2),
            ),
        ),
        unassessed_on=(record(*days(2, "ride", Metric("cell_temp_max_c", 41.0, "degC", n=3, coverage=0.1))),),
    )


RULE = Rule(
    id="hot_because_of_load",
    title="Pack hot in use",
    subsystem="thermal",
    of_pack=True,
    severity=Severity.STOP_USE,
    when=(
        (Severity.STOP_USE, "`far` above the cell's own limit"),
        (Severity.SERVICE, "above the limit"),
        (Severity.NOTE, "warm, `warm` or more, under its limit"),
    ),
    needs=("cell_temp_max_c",),
    roles=("cell_temp", "pack_current", "ambient_temp"),
    must=("cell_temp",),
    limits=(
        of_chemistry("warm", "warm_c"),
        Limit("beyond", 2.0, "1", "times the usual rise is no longer because of the load: engineering choice"),
        Limit("idle", 0.06, "K/min", "warming with no load: then load is not why: engineering choice"),
        Limit("far", 5.0, "K", "above the limit: stop-use, whatever the reason: engineering choice"),
        of_chemistry("stop", "discharge_max_c"),
    ),
    judge=judge,
    meaning="The pack reached temperatures that age it, or its limit. Five degrees above its limit no cause excuses "
    "it.",
    causes=(
        Cause("Long climbs or heavy loads in hot weather", over("ambient_temp", 28.0, "the air", rules_out=False)),
        Cause(
            "Charging right after a hard ride", over("charger_current", 0.5, "the charger's current", rules_out=False)
        ),
        Cause(
            "Derating that sets in too late",
            while_highest(
                "derate",
                "cell_temp",
                99.0,
                "the torque that the controller allows is {value} when the hottest sensor reads {highest}",
                "torque is held back when the pack is hottest",
            ),
        ),
        Cause("Heat that its load does not explain", also_found("hot_for_load")),
    ),
    bench=(
        "Compare with the rule 'warmer than its load explains': if that is quiet, look at use and derating limits",
        "Check that the controller derates and the pack limits current at its own limit",
    ),
    cautions=PACK_CAUTION,
    source="temperature limits: the profile, else the chemistry's",
    version=2,
    cases=_cases,
)
