"""The pack, or one place in it, gets warmer than its load explains.

A lumped model of the pack turns current, cell temperature and air temperature into the rise the load
explains. The ratio of measured to explained rise is compared with the fleet's healthy majority (fitted once,
frozen with the rule set), so that a hot day, a hard rider and a wrong heat capacity in the profile cancel.
Not judged on rises under 0.5 K, through holes in the current, or with the air temperature unknown.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, only_by
from herdbook.pipeline.health.pooled import pool, pooled
from herdbook.pipeline.health.reading import metric_rows, recent, reference
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._bad_sensors import bad_cell_sensors
from herdbook.pipeline.health.rules._heat_against_fleet import PACK_CAUTION, UNFITTED_SPREAD, Multiple, multiple
from herdbook.pipeline.health.rules._heat_without_fleet import beyond_any_pack, why_no_ratio
from herdbook.pipeline.health.rules._too_much_heat import too_much_heat
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import confidence, largest
from herdbook.pipeline.vehicle.record import Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    fitted = record.profile.pack_figures.given("heat_capacity_j_per_k", "heat_loss_w_per_k", "cell_r10s_mohm")
    whole = multiple(record, "pack_heat_ratio", "", dict(limits), fitted)
    wrong = _wrong_current(record, limits)
    rows = metric_rows(record, "pack_heat_explained_k")
    explained = pl.DataFrame([rows["start_t"], rows["value"].alias("explained_k")])
    found = _places(record, explained, limits)
    if wrong and not found:
        return NotAssessed(wrong)
    least = None if wrong else _at_least(record, limits) or beyond_any_pack(record, limits)
    if whole is not None and not wrong:
        least = _whole(whole, explained, limits) or least
    if least is not None:
        return [*found, least]
    if whole is None and not found:
        return NotAssessed(why_no_ratio(record, limits))
    return found


def _wrong_current(record: Record, limits: Mapping[str, float]) -> str:
    """Why the load is not known; nothing when it is. Heat goes with the square of the current: an error of e at the
    charger's current I moves the ratio by 2 e / I. One place against the rest of its pack stays judged."""
    zero = pooled(record, "pack_current_zero_a", last_days=limits["days"]).get("")
    if zero is None or abs(zero.value) - 2.0 * zero.se <= 0:
        return ""
    bias = 2.0 * abs(zero.value) / record.profile.pack_figures.charger_a
    if bias <= 0.5 * limits["ratio"]:
        return ""
    return (
        f"the current sensor reads {zero.value:+.2f} A with no current, which alone moves the ratio of heat to load "
        f"by {spell(100 * bias, '%')}; set its zero first"
    )


def _whole(whole: Multiple, explained: pl.DataFrame, limits: Mapping[str, float]) -> Finding | None:
    limit = 1.0 + max(limits["ratio"], limits["sigmas"] * max(whole.spread, limits["least_spread"]))
    rows = whole.rows.join(explained, on="start_t", maintain_order="left")
    expected = pl.col("value") / pl.col("multiple")
    rows = rows.with_columns(excess_k=(pl.col("value") - expected) * pl.col("explained_k"))
    if whole.value - 2.0 * whole.se < limit or largest(rows["excess_k"]) < limits["excess"]:
        return None
    hit = rows.filter(pl.col("multiple") > limit)
    basis = f"{whole.vehicles} healthy vehicles" if whole.vehicles else "the maker's figures"
    return too_much_heat(
        rows,
        hit,
        measured=whole.value,
        limit=limit,
        se=whole.se,
        sure=confidence(whole.value, limit, whole.se) * (1.0 if whole.vehicles else 0.8),
        statement=f"Over {counted(rows.height, 'session')} the pack warmed {spell(whole.value, 'times', whole.se)} as "
        f"much as its load explains by {basis}, {spell(largest(rows['excess_k']), 'K')} too warm at most.",
        not_separable="More heat made (high resistance, see the cell findings) or less heat lost (blocked cooling, "
        "covered pack): the resistance at 25 °C separates them.",
    )


def _at_least(record: Record, limits: Mapping[str, float]) -> Finding | None:
    """Sessions of a small load: what it explains is known no better, but a rise of many kelvin is beyond all of it."""
    rows = recent(metric_rows(record, "pack_heat_least_ratio"), limits["days"], 40)
    if rows.height < limits["sessions"]:
        return None
    value, se = pool(rows["value"].to_numpy(), rows["se"].to_numpy())
    limit = 1.0 + max(limits["ratio"], limits["sigmas"] * UNFITTED_SPREAD)
    if value - 2.0 * se < limit:
        return None
    hit = rows.filter(pl.col("value") > limit)
    return too_much_heat(
        rows,
        hit,
        measured=value,
        limit=limit,
        se=se,
        sure=confidence(value, limit, se),
        statement=f"Over {counted(rows.height, 'session')} of little load the pack warmed at least "
        f"{spell(value, 'times', se)} as much as load, charger and reaction explain at most.",
        size="value",
        not_separable="More heat made, in the pack or by what stands beside it: a thermal camera during a charge "
        "separates them.",
    )


def _places(record: Record, explained: pl.DataFrame, limits: Mapping[str, float]) -> list[Finding]:
    """The place that warms most ahead of the others under load: air, rest of the pack and sensor offsets cancel."""
    ahead = metric_rows(record, "pack_heat_ahead")
    if not ahead.height:
        return []
    certain = pl.col("se") < limits["largest_se"] * pl.max_horizontal("value", pl.lit(1.0))
    believed = ~pl.col("item").is_in(sorted(bad_cell_sensors(record)))
    rows = ahead.filter(certain, believed)
    middle = metric_rows(record, "pack_heat_ratio", "").select("start_t", pack="value")
    rows = recent(rows, limits["days"]).join(middle, on="start_t", maintain_order="left")
    rows = rows.join(explained, on="start_t", maintain_order="left")
    own = pl.max_horizontal("pack", pl.lit(0.5))
    rows = rows.with_columns(
        ahead=pl.col("value") / own, ahead_se=pl.col("se") / own, excess_k=pl.col("value") * pl.col("explained_k")
    )
    known = reference(record, "pack_heat_ahead", "charge")
    limit = max(limits["place"], limits["sigmas"] * known.spread if known else 0.0)
    items = sorted(set(rows["item"].to_list()))
    found = [_place(item, rows.filter(pl.col("item") == item), limit, limits) for item in items]
    return sorted((f for f in found if f is not None), key=lambda f: -f.measured)[:1]


def _place(item: str, rows: pl.DataFrame, limit: float, limits: Mapping[str, float]) -> Finding | None:
    ahead, se = pool(rows["ahead"].to_numpy(), rows["ahead_se"].to_numpy())
    least = limits["excess"] if rows.height >= limits["sessions"] else limits["excess_alone"]
    if ahead - 2.0 * se < limit or largest(rows["excess_k"]) < least:
        return None
    hit = rows.filter(pl.col("ahead") > limit)
    return too_much_heat(
        rows,
        hit,
        item=f"sensor {item}",
        measured=100 * ahead,
        limit=100 * limit,
        unit="%",
        se=100 * se,
        sure=confidence(ahead, limit, se),
        statement=f"In {counted(rows.height, 'session')} the place of sensor {item} warmed "
        f"{spell(100 * ahead, '%', 100 * se)} more than the rest of the pack under load, by "
        f"{spell(largest(rows['excess_k']), 'K')} at most.",
        not_separable="A hot joint beside the sensor or a sensor reading high with load: a second thermometer on the "
        "spot separates them.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, fleet, record

    def case(
        ratio: float,
        sessions: int = 5,
        item: str = "",
        se: float = 0.03,
        zero: float = 0.02,
        made: bool = True,
        **fitted: tuple[float, float],
    ) -> Record:
        parts = [
            Metric("pack_current_zero_a", zero, "A", 0.03, 300),
            Metric("pack_heat_ratio", 1.0 if item else ratio, "1", se, 300),
            Metric("pack_heat_explained_k", 8.0, "K"),
            Metric("cell_temp_max_c", 35.0, "degC"),
        ]
        if item:
            parts.append(Metric("pack_heat_ahead", ratio - 1.0, "1", se, 300, item=item))
        figures = [(name, *pair, "1") for name, pair in fitted.items()]
        own = {"heat_capacity_j_per_k": 8600.0, "heat_loss_w_per_k": 1.9, "cell_r10s_mohm": 2.0}
        return record(*days(sessions, "ride", *parts), reference=fleet(*figures), pack=own if made else {})

    def small_loads(ratio: float, sessions: int) -> Record:
        parts = (Metric("pack_heat_least_ratio", ratio, "1", 0.4, 300), Metric("cell_temp_max_c", 35.0, "degC"))
        return record(*days(sessions, "charge", *parts))

    def little(ratio: float, sessions: int, se: float) -> Record:
        parts = (
            Metric("pack_heat_little_ratio", ratio, "1", se, 60),
            Metric("pack_heat_little_k", 0.4, "K"),
            Metric("cell_temp_max_c", 35.0, "degC"),
        )
        return record(*days(sessions, "ride", *parts))

    return Cases(
        fires_on=(
            small_loads(6.0, 3),
            case(1.6, pack_heat_ratio=(1.0, 0.05)),
            case(2.4),
            case(8.2, 4, se=0.3, made=False),  # no fleet and no maker's figures, and beyond any pack
            case(9.9, 1, se=0.4, made=False),  # one session, and certain
            little(9.5, 3, se=1.6),  # none of them certain, together they are
            case(1.9, item="3", pack_heat_ratio=(1.0, 0.05)),
            case(1.7, item="3"),
        ),
        quiet_on=(
            case(1.1, pack_heat_ratio=(1.0, 0.05)),
            case(1.6, pack_heat_ratio=(1.55, 0.05)),
            case(1.25, item="3"),
            case(1.6, pack_heat_ratio=(1.0, 0.2)),
            case(1.6),
        ),
        unassessed_on=(
            case(1.6, zero=3.0, pack_heat_ratio=(1.0, 0.05)),
            small_loads(6.0, 1),
            small_loads(2.2, 3),
            case(1.6, 1, pack_heat_ratio=(1.0, 0.05)),
            case(3.5, 4, se=0.3, made=False),
            case(7.0, 1, se=0.5, made=False),  # one session, not beyond any pack for certain
            little(8.0, 2, se=3.0),
            case(1.6, se=0.5, pack_heat_ratio=(1.0, 0.05)),
        ),
    )


RULE = Rule(
    id="hot_for_load",
    title="Warmer than its load explains",
    subsystem="thermal",
    of_pack=True,
    severity=Severity.SERVICE,
    needs=("cell_temp_max_c",),
    roles=("cell_temp", "pack_current", "ambient_temp"),
    must=("cell_temp", "pack_current"),
    limits=(
        Limit("ratio", 0.15, "1", "above the fleet's ratio at equal resistance: engineering choice"),
        Limit("sigmas", 4.0, "1", "or this many robust spreads of the fleet: engineering choice"),
        Limit(
            "least_spread",
            0.1,
            "1",
            "of healthy packs, however alike a handful looks: engineering choice, made after five vehicles of an "
            "outside simulation had looked alike to 0.05 and a sound one had been called hot",
        ),
        Limit("excess", 1.0, "K", "in the worst session, ten steps of a usual sensor: engineering choice"),
        Limit("place", 0.4, "1", "of the pack's rise, one sensor ahead of it: engineering choice"),
        Limit("excess_alone", 2.5, "K", "of one sensor, when fewer sessions are known: engineering choice"),
        Limit("sessions", 2, "sessions", "one odd day proves little: engineering choice"),
        Limit("alone", 4.0, "1", "standard errors by which a single session must pass any pack: engineering choice"),
        Limit("days", 21.0, "days", "the newest sessions only, at most 40: engineering choice"),
        Limit("largest_se", 0.25, "1", "of the ratio or 1; sessions known less well are left out: engineering choice"),
    ),
    judge=judge,
    meaning="More heat arises in the pack, or less leaves it, than in healthy vehicles under the same load.",
    causes=(
        Cause(
            "High resistance of one or more groups, or of a joint or connector",
            also_found("resistance_outside_groups", "weak_group", tells=False),
        ),
        Cause(
            "Cooling path blocked: dirt, a cover, a displaced thermal pad",
            only_by("a thermal camera on the open cooling path under a steady load"),
        ),
        Cause("A temperature sensor reading high", also_found("temp_sensor_fault")),
        Cause(
            "Current sensor reading low, so that the load looks smaller than it is", also_found("current_sensor_offset")
        ),
    ),
    bench=(
        "Read the resistance per group at 25 °C in the cell findings first",
        "Look at the pack from outside with a thermal camera under a steady load",
        "Compare the logged current with a clamp meter",
        "After a night's rest compare all sensors with a thermometer",
    ),
    cautions=PACK_CAUTION,
    source="lumped model; LFP pack thermal parameters: doi:10.3390/batteries8100147; fleet ratio: this store",
    version=6,
    cases=_cases,
)
