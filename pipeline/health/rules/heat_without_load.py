"""A cell warms while next to no current flows: heat from inside. The pack is a hazard.

Judged on slopes over twenty minutes without load, ten minutes after the last load (or over ten, five minutes after,
where a rest is short: then twice as much must be seen), so that heat evening out is no alarm; one sensor is held
against the others, so that a sunny parking place, which warms all, is none either; nor is what a warmer place may still
hand over: the rise must pass it. All sensors together, or the only one, count by what they rise beyond the most that
the warmest air and, by day, the sun can do to a pack of this heat capacity; above that air a pack must cool. By night
there is no sun, so that a lone sensor is judged by rests after dark, and refused where it warms by day alone.

A source that has been there for days warms nothing any more. It is told by where it holds the pack: one place stands
over the others in every session, and these over motors, power stages and air whenever they have cooled.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, only_by, short_makes_the_heat
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.health.reading import days as days_of
from herdbook.pipeline.health.reading import event_table, metric_rows, only, places, recent, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._bad_sensors import bad_cell_sensors, kept_warm
from herdbook.pipeline.health.rules._heat_against_fleet import PACK_CAUTION
from herdbook.pipeline.health.rules._heat_whatever_the_load import Whatever, whatever_the_load
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, largest, mean
from herdbook.pipeline.vehicle.record import Event, Metric

RISE = ("rate_k_min", "se_k_min", "rise_k", "spread_k", "passive_k_min", "sun_k_min", "late_k_min")
BY_DAY = (
    "in {rests} the one temperature that is logged rose as no load explains, but by day, where the sun can do it too: "
    "a second sensor, or an hour of rest by night, would tell"
)
# Times `own`, of a place that warms whatever the load: few rides are without load, the line is drawn on to there
# (engineering choice).
WITH_NONE = 2.0
UNDER_THREE = float(np.nextafter(3, 0))
STILL = 0.15  # of its siblings' movement, as for a frozen sensor: engineering choice
NOT_SEPARABLE = (
    "Heat in the cell, or a source of heat beside the sensor such as sun on one side: a look from outside, by a "
    "licensed person and in the shade, separates them."
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    said = _by_rates(record, limits)
    if said and not isinstance(said, NotAssessed):
        return said
    return kept_warm(record)[:1] or said


def _by_rates(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    rows = metric_rows(record, "cell_idle_rise_k_min")
    broken = _broken(record) | bad_cell_sensors(record, warm=False)
    always = whatever_the_load(record, broken, limits["own"])
    if always is not None and always.z >= limits["sigmas"] and always.rate >= WITH_NONE * limits["own"]:
        return [_always(always, limits)]
    if not rows.height:
        return NotAssessed("no stretch of fifteen minutes without load with temperatures and current recorded")
    level = _level(recent(event_table(record, "idle_heat", ("heat_w", "se_w", "level_k", "lead_k")), 60.0), limits)
    found: dict[str, pl.DataFrame] = {}
    minutes = (pl.col("end_t") - pl.col("start_t")).dt.total_seconds() / 60
    events = event_table(record, "idle_rise", RISE)
    events = events.with_columns(minutes=minutes, times=pl.when(minutes < limits["whole"]).then(2.0).otherwise(1.0))
    for item in sorted(set(rows["item"].to_list()) - broken - {""}):
        hit = events.filter(
            pl.col("item") == item,
            _sure(pl.col("rate_k_min"), limits),
            # no place gets warmer than the warmest by heat that is only spreading
            pl.col("rise_k") >= limits["rise"] * pl.col("times") + pl.col("spread_k").fill_null(0.0),
        )
        if hit.height:
            found[item] = hit
    whole, in_doubt = _whole(events.filter(pl.col("item") == ""), limits)
    if whole.height:
        found[""] = whole
    level = level.filter(~pl.col("item").is_in(sorted(broken)))
    if level.height:
        looked = metric_rows(record, "pack_idle_heat_w").height
        return [_heat(level, looked, bool(found), limits)]
    if not found:
        alone = len(set(rows["item"].to_list()) - broken - {""}) == 0
        return NotAssessed(BY_DAY.format(rests=counted(in_doubt, "rest"))) if alone and in_doubt else []
    # heat spreads: the fastest sensor is beside its source, the others follow
    worst = max(found, key=lambda item: (item != "", largest(found[item]["rate_k_min"])))
    looked = rows.filter(pl.col("item") == worst).height
    return [_finding(worst, found[worst], sorted(set(found) - {worst, ""}), looked, limits)]


def _sure(rate: pl.Expr, limits: Mapping[str, float]) -> pl.Expr:
    least = limits["own"] * pl.col("times")
    return (rate >= least) & (rate >= limits["sigmas"] * pl.col("se_k_min").fill_null(0.0))


def _whole(events: pl.DataFrame, limits: Mapping[str, float]) -> tuple[pl.DataFrame, int]:
    """Rests in which the whole pack, or the one place that is measured, warmed by more than air and sun can do (column
    `over`); and how many there are in which it did so beyond air alone, so that by day it may have been the sun.

    What evens out inside after a load slows down; a source does not."""
    over = pl.col("rate_k_min") - pl.col("passive_k_min").fill_null(0.0)
    steady = (pl.col("late_k_min") >= limits["steady"] * pl.col("rate_k_min")) & (pl.col("minutes") >= limits["whole"])
    beyond = steady & _sure(over, limits) & (over * pl.col("minutes") >= limits["rise"])
    # measured by an earlier version, which did not say what air and sun can do
    fast = pl.col("passive_k_min").is_null() & (pl.col("rate_k_min") >= limits["all"] * pl.col("times"))
    fast &= (pl.col("rise_k") >= limits["rise"]) & _sure(pl.col("rate_k_min"), limits)
    hit = events.filter(beyond.fill_null(False) | fast).with_columns(over=over)
    shade = events.filter(steady.fill_null(False)).with_columns(shade=over + pl.col("sun_k_min").fill_null(0.0))
    shade = shade.sort("shade", descending=True).unique("session_start_t", keep="first", maintain_order=True)
    if not shade.height:
        return hit, 0
    value, se = pool(shade["shade"].to_numpy(), shade["se_k_min"].to_numpy())
    return hit, shade.height if value >= max(limits["own"], limits["doubt"] * se) else 0


def _level(heat: pl.DataFrame, limits: Mapping[str, float]) -> pl.DataFrame:
    return heat.filter(
        pl.col("heat_w") - limits["sigmas"] * pl.col("se_w") >= limits["watts"],
        pl.col("level_k") >= limits["level"],
        pl.col("lead_k") >= limits["lead"],
    )


def _heat(hit: pl.DataFrame, looked: int, rising: bool, limits: Mapping[str, float]) -> Finding:
    worst = hit.sort("heat_w", descending=True).row(0, named=True)
    strong = rising or days_of(hit) >= 2 or worst["lead_k"] >= limits["strong"]
    return Finding(
        severity=Severity.STOP_USE if strong else Severity.SERVICE,
        item=f"sensor {worst['item']}",
        measured=worst["heat_w"],
        limit=limits["watts"],
        unit="W",
        statement=f"At rest the pack made {spell(worst['heat_w'], 'W', worst['se_w'])} of heat of its own in "
        f"{counted(hit.height, 'rest')} of {looked}: it stayed on its way to {spell(worst['level_k'], 'K')} above "
        f"the air, the place of sensor {worst['item']} {spell(worst['lead_k'], 'K')} ahead of the others.",
        se=worst["se_w"],
        confidence=confidence(worst["heat_w"], limits["watts"], worst["se_w"]),
        persistence=min(hit.height / max(looked, 1), 1.0),
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "heat_w"),
        signals=("cell_temp", "ambient_temp", "pack_current", "cell_voltage"),
        not_separable=NOT_SEPARABLE,
    )


def _always(found: Whatever, limits: Mapping[str, float]) -> Finding:
    return Finding(
        severity=Severity.STOP_USE,
        item=f"sensor {found.item}",
        measured=found.rate,
        limit=limits["own"],
        unit="K/min",
        statement=f"Over {counted(found.rows.height, 'ride')} the place of sensor {found.item} warmed ahead of the "
        f"others whatever the load was: by {spell(found.rate, 'K/min', found.se)} with none.",
        se=found.se,
        confidence=confidence(found.rate, limits["own"], found.se),
        persistence=1.0,
        count=found.rows.height,
        duration_s=seconds(found.rows),
        windows=windows(found.rows, "value"),
        signals=("cell_temp", "pack_current", "ambient_temp", "cell_voltage"),
        not_separable=NOT_SEPARABLE,
    )


def _broken(record: Record) -> set[str]:
    """Sensors known to jump, sit at a rail, give no value or stand still whatever their siblings do: their slopes
    against the others are not heat. A place kept warm by a source moves with its siblings all the same when
    the pack warms and cools, so that it takes two sessions of standing still."""
    moved = recent(metric_rows(record, "temp_moved_share"), 21.0)
    still = moved["value"].to_numpy() < STILL
    bad = [item for item, at in places(moved).items() if at.size >= 2 and still[at].mean() >= 0.8]
    for name, least in (("temp_rail_share", 0.02), ("temp_missing_share", 0.2), ("temp_jumps", UNDER_THREE)):
        rows = metric_rows(record, name)
        bad += only(rows, rows["value"].to_numpy() > least)["item"].to_list()
    return {item.removeprefix("cell ") for item in bad}


def _finding(item: str, hit: pl.DataFrame, follow: list[str], looked: int, limits: Mapping[str, float]) -> Finding:
    who = "sensor" if len(follow) == 1 else "sensors"
    after = f"; {who} {', '.join(follow)} followed" if follow else ""
    hit = hit.with_columns(by="rate_k_min" if item else "over")
    hit = hit.with_columns(gain="rise_k" if item else pl.col("by") * pl.col("minutes"))
    rate, gain = largest(hit["by"]), largest(hit["gain"])
    bounded = not item and hit["passive_k_min"].is_not_null().all()
    # half of what it takes to be told: that it warms by itself is what it is sure of, not that it passed all of that
    limit = 0.5 * (limits["own"] if item or bounded else limits["all"])
    minutes = largest(hit.filter(pl.col("gain") == gain)["minutes"])
    se = mean(hit["se_k_min"])
    begin = f"Sensor {item} warmed" if item else "The pack warmed"
    against = (
        " against the other sensors" if item else " beyond what the warmest air and the sun can do" if bounded else ""
    )
    return Finding(
        severity=Severity.STOP_USE,
        item=f"sensor {item}" if item else "",
        measured=rate,
        limit=limit,
        unit="K/min",
        statement=f"{begin} by {spell(gain, 'K')} in {spell(minutes, 'min')}{against} while next to no current flowed, "
        f"in {counted(hit['session_start_t'].n_unique(), 'rest')} of {looked} looked at{after}.",
        se=se,
        confidence=confidence(rate, limit, se),
        persistence=min(hit.height / looked, 1.0),
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "by"),
        signals=("cell_temp", "pack_current", "ambient_temp", "cell_voltage"),
        not_separable="Heat in the cell or a source of heat beside the sensor: only a look from outside, by a "
        "licensed person, separates them.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, one_session, record

    temp = Metric("cell_temp_max_c", 30.0, "degC")

    def warm(watts: float, lead: float, rests: int = 1, level: float = 8.0) -> Record:
        event = Event(
            "idle_heat", 0, 3_600_000_000, "2", {"heat_w": watts, "se_w": 0.4, "level_k": level, "lead_k": lead}
        )
        parts = (
            Metric("cell_idle_rise_k_min", 0.0, "K/min", 0.005, 100),
            Metric("pack_idle_heat_w", watts, "W", 0.4, 300),
            temp,
        )
        return record(*days(rests, "rest", *parts, event))

    def rest(
        rate: float, item: str = "2", rise: float = 4.0, *more: Metric, se: float = 0.005, spread: float = 0.0
    ) -> Record:
        parts = Metric("cell_idle_rise_k_min", rate, "K/min", 0.005, 100, item=item), Metric("temp_jumps", 0, "1"), temp
        data = {"rate_k_min": rate, "se_k_min": se, "rise_k": rise, "spread_k": spread}
        event = Event("idle_rise", 0, 1_200_000_000, item, data)
        return record(one_session(0, "rest", *parts, *more, event, hours=3))

    def lone(rate: float, passive: float, sun: float = 0.0, late: float | None = None, minutes: int = 40) -> Record:
        """A pack with one sensor."""
        data = {"rate_k_min": rate, "se_k_min": 0.01, "rise_k": rate * minutes, "passive_k_min": passive}
        data |= {"sun_k_min": sun, "late_k_min": rate if late is None else late}
        event = Event("idle_rise", 0, minutes * 60_000_000, "", data)
        return record(
            one_session(0, "rest", Metric("cell_idle_rise_k_min", rate, "K/min", 0.01, 100), temp, event, hours=3)
        )

    def rides(at_none: float, per_load: float) -> Record:
        """Eight rides of four minutes at loads of C/3 to 1C."""
        noise = (0.05, -0.08, 0.02, 0.06, -0.04, -0.01, 0.03, -0.03)
        loads = (0.1, 0.2, 0.9, 0.4, 0.7, 0.15, 0.5, 1.0)
        each = (
            days(
                1,
                "ride",
                temp,
                Metric("cell_ahead_k_min", at_none + per_load * load + n, "K/min", 0.08, 24, item="2"),
                Metric("pack_load_square", load, "1"),
                first=k,
            )
            for k, (load, n) in enumerate(zip(loads, noise, strict=True))
        )
        return record(*(s for one in each for s in one))

    def brief(rise: float) -> Record:
        """Ten quiet minutes of a short rest."""
        parts = (
            Metric("cell_idle_rise_k_min", rise / 10, "K/min", 0.01, 20, item="2"),
            Metric("temp_jumps", 0, "1"),
            temp,
        )
        data = {"rate_k_min": rise / 10, "se_k_min": 0.01, "rise_k": rise, "spread_k": 0.0}
        return record(one_session(0, "rest", *parts, Event("idle_rise", 0, 600_000_000, "2", data), hours=0.3))

    def frozen() -> Record:
        """A sensor that stands still while the pack cools around it."""
        parts = Metric("cell_idle_rise_k_min", 0.2, "K/min", 0.005, 100, item="2"), Metric("temp_jumps", 0, "1"), temp
        event = Event("idle_rise", 0, 1_200_000_000, "2", {"rate_k_min": 0.2, "se_k_min": 0.005, "rise_k": 4.0})
        return record(*days(3, "rest", *parts, Metric("temp_moved_share", 0.0, "1", item="cell 2"), event))

    return Cases(
        fires_on=(
            rest(0.2),
            brief(3.0),
            rest(0.2, spread=2.0),
            rest(0.9, "", 18.0),
            warm(30.0, 10.0),
            warm(9.0, 2.0, rests=3),
            rides(0.6, 0.0),  # as fast with no load as with much
            rides(0.6, 0.3),
            lone(0.18, 0.05),  # by night, in the warmest room
            lone(0.0, -0.12),  # at 48 degC by night, and it does not cool
            lone(0.6, 0.40, sun=0.35),  # faster than the sun
        ),
        quiet_on=(
            brief(1.6),
            warm(1.5, 5.0),
            warm(20.0, 0.3),
            rest(0.03, "2", 0.6),
            rest(0.3, "", 6.0),
            rest(0.1, se=0.03),
            rest(0.2, spread=3.5),  # a warmer place may have handed it over
            rest(0.2, "2", 4.0, Metric("temp_jumps", 9, "1", item="cell 2")),
            frozen(),
            lone(0.05, 0.05),
            lone(0.3, 0.1, late=0.05),  # evens out after a load
            record(*days(4, "rest", Metric("cell_idle_rise_k_min", 0.01, "K/min", 0.005, 100, item="1"), temp)),
        ),
        unassessed_on=(
            rides(0.0, 2.0),  # a hot joint, and no rest looked at
            record(*days(2, "ride", Metric("cell_temp_max_c", 30.0, "degC"))),
            lone(0.18, 0.35, sun=0.30),  # by day: the sun can do it
        ),
    )


RULE = Rule(
    id="heat_without_load",
    title="Cell warming with no load",
    subsystem="thermal",
    of_pack=True,
    severity=Severity.STOP_USE,
    when=(
        (
            Severity.STOP_USE,
            "the warming grows, comes back on another day, or leads its siblings by `strong`; a place that stays warm "
            "in a pack that is warm around it",
        ),
        (Severity.SERVICE, "once, and less"),
    ),
    needs=("cell_temp_max_c",),
    roles=("cell_temp", "pack_current", "ambient_temp"),
    must=("cell_temp", "pack_current"),
    limits=(
        Limit(
            "own",
            0.06,
            "K/min",
            "one sensor against the others, over 20 min: 1.2 K, six usual steps: engineering choice",
        ),
        Limit("all", 0.5, "K/min", "all sensors: sun and hot air stay under about 0.3 K/min: engineering choice"),
        Limit("steady", 0.5, "1", "of the rate in a window's second half: what evens out slows: engineering choice"),
        Limit("watts", 5.0, "W", "of heat in a resting pack; electronics stay under 2 W: engineering choice"),
        Limit("level", 1.5, "K", "above the air that this heat would hold the pack at: engineering choice"),
        Limit("lead", 1.5, "K", "of one sensor over the others meanwhile: engineering choice"),
        Limit("strong", 4.0, "K", "of lead: then, or on a second day, do not use: engineering choice"),
        Limit("sigmas", 5.0, "1", "standard errors: many windows are looked at every night: engineering choice"),
        Limit("doubt", 3.0, "1", "standard errors of a rise that may be the sun's: engineering choice"),
        Limit("whole", 15.0, "min", "of quiet; a shorter stretch must show twice as much: engineering choice"),
        Limit("rise", 1.0, "K", "in the stretch: engineering choice"),
    ),
    judge=judge,
    meaning="Something inside the pack makes heat on its own: an internal short, or a fault at a joint or balancer. "
    "It can grow into a fire.",
    causes=(
        Cause(
            "Internal short of a cell",
            short_makes_the_heat(also_found("leaking_group", "leak_growing")),
        ),
        Cause("A balancing resistor or transistor that is stuck on beside the sensor", also_found("balancer_stuck")),
        Cause(
            "A leak current over a dirty or wet board",
            only_by("a look at the board, and the current the pack draws with all that it feeds unplugged"),
        ),
    ),
    bench=(
        "Move it outdoors, away from what burns, if it can be done safely",
        "Compare group voltages over days from a distance (remote log), not by hand",
        "Have a licensed person take the pack over; damaged packs have their own transport rules",
    ),
    cautions=("Above 80 °C, or with smoke or odour: leave, and call the fire service.", *PACK_CAUTION),
    source="warning by heating rate: GB 38031-2025 C.5.3.7 names 1 K/s for runaway itself; this early limit: "
    "engineering choice",
    version=5,
    habit="an hour of rest by night, with the temperatures of the pack",
    cases=_cases,
)
