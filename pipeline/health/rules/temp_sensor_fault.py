"""A temperature sensor that cannot be believed: open, shorted, missing, frozen, jumping, or off after a long rest.

One that reads too cold hides heat from every protection; too cold or hot, it makes a limiter refuse charge and brake.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, any_of, figure, less_likely_if, only_by
from herdbook.pipeline.health.reading import Pieces, event_table, metric_rows, only, recent, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._heat_against_fleet import PACK_CAUTION
from herdbook.pipeline.health.rules._unprotected import unprotected
from herdbook.pipeline.health.rules._warm_place import began, siblings_of, told
from herdbook.pipeline.health.rules._wrong_sensor import (
    ROLE_OF,
    apart,
    as_measured,
    beside_its_twin,
    beside_one,
    right_of_two,
    still,
)
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import mean
from herdbook.pipeline.health.statistics import middle as middle_of
from herdbook.pipeline.vehicle.record import Event, Metric

# what is wrong: metric, limit, whether over it is wrong, and how it is said
KINDS = (
    ("open or shorted", "temp_rail_share", "rail", True, "read a value only an open or shorted sensor gives"),
    ("missing", "temp_missing_share", "missing", True, "gave no value"),
    ("jumping", "temp_jumps", "jumps", True, "jumped by more than 8 K between samples"),
    ("frozen", "temp_moved_share", "moved", False, "stood still while its siblings moved"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    items = sorted(set(metric_rows(record, "temp_missing_share")["item"].to_list()))
    if not items:
        return NotAssessed("no temperature sensor recorded")
    off = Pieces(recent(_offsets(record, limits), limits["days"]), "item")
    own = {item: _by_itself(record, item, limits) for item in items}
    stands = _apart(record, [item for item in items if item.startswith("cell")], own, limits)
    found: list[Finding] = []
    for item in items:
        finding = own[item] or stands.get(item)
        if finding is None and not item.startswith("cell"):
            finding = _off(item, off.of(item), limits)
        found += [finding] if finding is not None else []
    return unprotected(found, [item for item in items if item.startswith("cell")])


def _by_itself(record: Record, item: str, limits: Mapping[str, float]) -> Finding | None:
    """What its own readings show, whatever level its siblings are at."""
    finding = next((f for kind in KINDS if (f := _kind(record, item, kind, limits))), None)
    return finding or still(record, item, limits)


def _apart(
    record: Record, cells: list[str], own: Mapping[str, Finding | None], limits: Mapping[str, float]
) -> dict[str, Finding]:
    """Cell sensors apart from their siblings. Of two neither outvotes the other, so that never both are told; nor
    does one that is broken say anything of its twin. Nothing cools a place by itself, but heat warms one: the
    warmer is told, unless the rest of the vehicle agrees with it."""
    pair = sum(own[item] is None for item in cells) == 2
    if _heated(record) or (len(cells) == 2 and not pair):
        return {}
    believed = right_of_two(record)
    seen = {item: f for item in cells if item not in believed and (f := apart(record, item, limits)) is not None}
    warm = {item: f for item, f in seen.items() if f.measured > 0}
    high = {item: told(f, siblings_of(record, item, began(f)), pair, limits) for item, f in warm.items()}
    if pair and warm:
        return {item: f for item, f in high.items() if f is not None}
    return {item: f for item, one in seen.items() if (f := high.get(item, one)) is not None}


def _kind(
    record: Record, item: str, kind: tuple[str, str, str, bool, str], limits: Mapping[str, float]
) -> Finding | None:
    what, name, limit_name, over, words = kind
    rows = metric_rows(record, name, item)
    if what == "jumping":
        rows = _alone(record, rows, item)
    if what == "frozen" and item.startswith("motor"):
        rows = beside_its_twin(record, rows, item)
    if what == "frozen" and item.startswith("cell") and beside_one(record) and _heated(record):
        return None  # its only sibling is warmed by a source of its own, and is no yardstick
    limit = limits[limit_name]
    values = rows["value"].to_numpy()
    hit = only(rows, values > limit if over else values < limit)
    # half of one session in readings enough is no blink of a plug that is sound
    alone = what in ("open or shorted", "missing") and ((hit["value"] >= 0.5) & (hit["n"] >= 20)).any()
    if hit.height < limits["sessions"] and not alone:
        return None
    if what == "jumping":  # and goes on: interference may strike one sensor alone in a session or two
        since = newest_stretch(rows.with_columns(session_start_t="start_t"), values > limit, limits["by_chance"])
        if since.chance > 0.05:
            return None
        rows, hit = since.rows, since.hit
    if what == "frozen":  # and stays so: a place far from a source of heat moves less than its siblings, now and then
        rows = rows.filter(pl.col("start_t") >= hit["start_t"].min())
        if hit.height < limits["stays"] * rows.height:
            return None
    value = mean(hit["value"])
    return Finding(
        severity=Severity.SERVICE,
        item=item,
        measured=value,
        limit=limit,
        unit=str(hit["unit"][0]),
        statement=f"Sensor {item} {words} in {hit.height} of {counted(rows.height, 'session')} "
        f"({as_measured(name, value)}): {what}.",
        confidence=0.97 if hit.height >= limits["sessions"] else 0.95,
        persistence=hit.height / rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "value", largest_first=over),
        signals=(ROLE_OF[item.split(" ", maxsplit=1)[0]],),
        not_separable="Sensor, plug or wire: its resistance at the plug, cold, separates them.",
        blind=what in ("open or shorted", "missing"),  # one that stands still or jumps may be near
    )


def _alone(record: Record, rows: pl.DataFrame, item: str) -> pl.DataFrame:
    """Sessions in which it jumps and the other sensors do not: interference jumps in all of them. A power stage has so
    little mass that its load makes it jump: only without load it counts."""
    if item.startswith("fet"):
        rows = rows.filter(pl.col("kind").is_in(["rest", "charge"]))
    others = metric_rows(record, rows["name"][0]) if rows.height else rows
    others = others.filter(pl.col("item") != item).group_by("start_t").agg(others=pl.col("value").median())
    rows = rows.join(others, on="start_t", how="left", maintain_order="left")
    return rows.filter(pl.col("value") >= 3.0 * pl.col("others").fill_null(0.0))


def _offsets(record: Record, limits: Mapping[str, float]) -> pl.DataFrame:
    """Offsets from the siblings after rests long enough: at the end of a rest, or at the start after a long pause."""
    ends = record.sessions.filter(pl.col("kind") != "rest").select(end_t="end_t").sort("end_t")
    starts = metric_rows(record, "temp_start_offset_k").filter(pl.col("kind") != "rest").sort("start_t")
    if starts.height and ends.height:
        before = starts.join_asof(ends, left_on="start_t", right_on="end_t", strategy="backward", coalesce=False)
        pause_h = (pl.col("start_t") - pl.col("end_t_right")).dt.total_seconds() / 3600
        starts = before.filter(pause_h >= limits["pause"]).select(starts.columns)
    else:
        starts = starts.clear()
    return pl.concat([metric_rows(record, "temp_soak_offset_k"), starts]).sort("start_t", maintain_order=True)


def _heated(record: Record) -> bool:
    """A place warms against the others with no load: a source of heat grows, a sensor's error does not. The places
    around it then stand apart as well, each as far as heat has come to it."""
    rows = event_table(record, "idle_rise", ("rate_k_min", "se_k_min", "rise_k"))
    sure = pl.col("rate_k_min") > 5.0 * pl.col("se_k_min").fill_null(0.0)
    rises = rows.filter(pl.col("item") != "", sure, pl.col("rise_k") >= 1.0)
    held = event_table(record, "idle_heat", ("heat_w", "se_w", "lead_k"))
    held = held.filter(pl.col("heat_w") - 5.0 * pl.col("se_w") >= 5.0, pl.col("lead_k") >= 1.5)
    return bool(rises.height or held.height)


def _off(item: str, rows: pl.DataFrame, limits: Mapping[str, float]) -> Finding | None:
    """Motors, power stages, board and air keep different hours: only what is off at every start is an error."""
    limit = limits["offset_other"]
    mid = middle_of(rows["value"], least_se=0.1)
    least = rows["value"].abs().min() if rows.height else None
    same = abs(rows["value"].sign().sum()) == rows.height
    if mid.n < limits["starts"] or not same or not isinstance(least, float) or least < limit:
        return None
    hit = rows.with_columns(size=pl.col("value").abs()).filter(pl.col("size") > limit)
    side = "above" if mid.value > 0 else "below"
    return Finding(
        severity=Severity.SERVICE,
        item=item,
        measured=mid.value,
        limit=limit if mid.value > 0 else -limit,
        unit="K",
        statement=f"After {rows.height} long rests sensor {item} read {spell(abs(mid.value), 'K', mid.se)} "
        f"{side} its siblings.",
        se=mid.se,
        confidence=0.95,
        persistence=hit.height / rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "size"),
        signals=(ROLE_OF[item.split(" ", maxsplit=1)[0]],),
        not_separable="A sensor that reads wrong or a place that is warmer: a thermometer on the spot after a night's "
        "rest separates them.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, days, record

    def still(share: float) -> tuple[Metric, Metric]:
        return (
            Metric("temp_missing_share", 0.0, "1", item="cell 2"),
            Metric("temp_moved_share", share, "1", 0.1, 100, item="cell 2"),
        )

    def warming(apart_k: float) -> Record:
        """Rests at whose end one place reads higher, since it warmed in them."""
        data = {"rate_k_min": 0.2, "se_k_min": 0.01, "rise_k": 4.0}
        parts = [Metric("temp_missing_share", 0.0, "1", item=f"cell {i}") for i in (1, 2)]
        parts.append(Metric("temp_apart_least_k", apart_k, "K", 0.1, 60, item="cell 1"))
        return record(*days(4, "rest", *parts, Event("idle_rise", 0, 1_200_000_000, "1", data)))

    def kept(*readings: float) -> Record:
        """One sensor's readings from day to day, while its sibling goes over 6 K."""
        sessions = []
        for day, v in enumerate(readings):
            pair = (("cell 1", 16.0 + 3 * day, 16.5 + 3 * day), ("cell 2", v, v))
            levels = [Metric("temp_lowest_c", low, "degC", item=i) for i, low, _ in pair]
            levels += [Metric("temp_highest_c", high, "degC", item=i) for i, _, high in pair]
            missing = [Metric("temp_missing_share", 0.0, "1", item=i) for i, *_ in pair]
            sessions += days(1, "ride", *missing, *levels, first=day)
        return record(*sessions)

    def jumping(day: float) -> list[ExampleSession]:
        """Interference: all sensors jump."""
        items = [f"cell {k}" for k in range(1, 5)]
        parts = [Metric("temp_jumps", 9, "1", item=i) for i in items]
        return days(1, "ride", *parts, *(Metric("temp_missing_share", 0.0, "1", item=i) for i in items), first=day)

    def shown_days(name: str, value: float, count: int, first: float = 0.0) -> list[ExampleSession]:
        parts = [Metric("temp_missing_share", 0.0, "1", item=i) for i in ("cell 1", "cell 2")]
        return days(count, "ride", *parts, Metric(name, value, "K", 0.1, 100, item="cell 2"), first=first)

    def shown(name: str, value: float, unit: str, sessions: int = 4, item: str = "cell 2") -> Record:
        seen = [
            Metric("temp_missing_share", 0.0, "1", item=i) for i in ("cell 1", "cell 2") if name != "temp_missing_share"
        ]
        return record(*days(sessions, "ride", *seen, Metric(name, value, unit, 0.1, 100, item=item)))

    return Cases(
        fires_on=(
            shown("temp_rail_share", 0.8, "1"),
            shown("temp_missing_share", 0.9, "1"),
            shown("temp_jumps", 30, "1"),
            shown("temp_moved_share", 0.0, "1"),
            shown("temp_rail_share", 0.8, "1", sessions=1),
            shown("temp_apart_least_k", -7.0, "K"),
            kept(20.0, 20.0, 20.0),
            record(*shown_days("temp_apart_least_k", 0.4, 6), *shown_days("temp_apart_least_k", 9.0, 4, first=6)),
        ),
        quiet_on=(
            shown("temp_rail_share", 0.0, "1"),
            shown("temp_rail_share", 0.1, "1", sessions=1),
            shown("temp_moved_share", 0.6, "1"),
            shown("temp_apart_least_k", 2.8, "K"),  # within what two sound sensors may differ by
            shown("temp_apart_least_k", 9.0, "K", sessions=1),  # a hot place that one session shows
            kept(20.0, 20.5, 20.0),
            record(*(s for d in range(4) for s in jumping(d))),
            warming(12.0),
            record(
                *days(1, "ride", *still(0.05)),
                *days(4, "ride", *still(0.9), first=1),
                *days(1, "ride", *still(0.1), first=5),
            ),
            shown("temp_start_offset_k", 4.0, "K", item="motor left"),
        ),
        unassessed_on=(record(*days(2, "ride", Metric("braking_count", 1, "1"))),),
    )


_BREAKS = any_of(
    figure(
        "temp_missing_share",
        0.2,
        "no value in up to {percent} of the samples, {share}",
        "its values come through without a break",
        "cell_temp",
        whole_item=True,
    ),
    figure(
        "temp_rail_share",
        0.02,
        "it reads an end of its range for up to {percent} of the time, {share}",
        "it never reads an end of its range",
        "cell_temp",
        whole_item=True,
    ),
    figure(
        "temp_jumps",
        2.5,
        "it jumps up to {value} times in a session, {share}",
        "it does not jump",
        "cell_temp",
        whole_item=True,
    ),
)
_STANDS = figure(
    "temp_moved_share",
    0.15,
    "it keeps one value while its siblings move, {share}",
    "it moves with its siblings",
    "cell_temp",
    above=False,
    whole_item=True,
    needed=0.5,
)


RULE = Rule(
    id="temp_sensor_fault",
    title="Temperature sensor not to be believed",
    subsystem="thermal",
    of_pack=True,
    severity=Severity.STOP_USE,
    when=(
        (
            Severity.STOP_USE,
            "one of two cell sensors stands high, and nothing tells whether its place is warm; or every cell sensor is "
            "open, shorted or missing",
        ),
        (Severity.SERVICE, "else"),
    ),
    needs=("temp_missing_share",),
    roles=("cell_temp", "motor_temp", "fet_temp", "bms_temp", "ambient_temp"),
    must=("cell_temp|motor_temp|fet_temp|bms_temp|ambient_temp",),
    limits=(
        Limit("rail", 0.02, "1", "of a session's time: engineering choice"),
        Limit("missing", 0.2, "1", "of a session's samples: engineering choice"),
        Limit("jumps", 2.5, "1", "a session; one may be a lost frame, two its way back: engineering choice"),
        Limit("moved", 0.15, "1", "of the siblings' movement; a still sensor shows its noise: engineering choice"),
        Limit("stays", 0.8, "share", "of the sessions since it first stood still: engineering choice"),
        Limit(
            "offset",
            5.0,
            "K",
            "of a cell sensor: two usual 5 % thermistors may differ by 3 K at the ends of their range (from memory); "
            "the 2 K on top: engineering choice, made after sound sensors 2.8 K off had been called wrong",
        ),
        Limit(
            "outside",
            3.0,
            "K",
            "that its siblings stand over motors, power stages and air at every start at which these agree: as much as "
            "sound sensors may differ by; from there on it is heat, under half of it the sensor: engineering choice",
        ),
        Limit("alone", 1.0, "K", "more, where one session is all there is; then 0.95 sure: engineering choice"),
        Limit("by_chance", 0.1, "1", "of sessions that chance may put so far apart (binomial): engineering choice"),
        Limit("went", 3.0, "K", "that siblings went while one kept its reading to the step: engineering choice"),
        Limit(
            "lone_sessions",
            4.0,
            "sessions",
            "that a lone cell sensor kept its reading while board and air changed from day to day: engineering choice",
        ),
        Limit("went_steps", 3.0, "steps", "and so many of their own steps: engineering choice"),
        Limit(
            "offset_other",
            6.0,
            "K",
            "others after a long rest: they cool at their own pace: engineering choice",
        ),
        Limit("starts", 4, "starts", "of others, off at each of them: engineering choice"),
        Limit("pause", 3.0, "h", "between two uses, before a start counts as rested: engineering choice"),
        Limit("sessions", 2, "sessions", "engineering choice"),
        Limit(
            "days",
            21.0,
            "days",
            "offsets of the newest stretch, so that a late one is not outvoted: engineering choice",
        ),
    ),
    judge=judge,
    meaning="Protection, charging and braking limits rest on this sensor. Reading too cold it hides heat; reading "
    "falsely cold or hot it makes the vehicle refuse charge and brake.",
    causes=(
        Cause("Broken or chafed sensor wire", _BREAKS),
        Cause("Plug corroded or not seated", _BREAKS),
        Cause("Sensor come off its place", less_likely_if(only_by("a look at its place"), any_of(_BREAKS, _STANDS))),
        Cause(
            "Sensor aged",
            less_likely_if(only_by("its resistance at two known temperatures against the data sheet"), _BREAKS),
        ),
        Cause(
            "Heat at the place of a sensor that reads high: a cell warm at rest, a balancing resistor stuck on",
            also_found("heat_without_load"),
        ),
    ),
    bench=(
        "After an hour at rest with the key off, hold an infrared thermometer or a hand to the outside of the pack at "
        "the place: warmer than the rest is heat and not the sensor; then stop using and charging it",
        "Measure the sensor's resistance at the plug, cold, and compare with a sibling",
        "Move the wire while watching the value",
        "Where heat is not ruled out: an independent thermometer on the pack at that place, after a night's rest with "
        "the pack disconnected by a qualified person",
        "After a night's rest all sensors of the vehicle must agree with a thermometer",
    ),
    cautions=PACK_CAUTION,
    source="signs of open, short and still sensors: common practice",
    version=12,  # open or missing is a field; in 10 a pack without any temperature
    cases=_cases,
)
