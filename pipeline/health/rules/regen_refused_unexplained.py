"""The electric brake gave nothing, or nearly, and neither the pack's state nor the speed says why.

The refusals that are correct behaviour (full, cold, hot, walking pace, above the pack's ceiling) are taken
off first, braking by braking, with the vehicle's own tapers, unless the record shows that they did not limit then.
The demand is the command the controller
received: a lost radio link looks like a released lever and is no refusal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, bits_set, less_than, reads_in
from herdbook.pipeline.health.reading import having, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, accounted, by_whom, held, judged, table
from herdbook.pipeline.health.rules._open_all_the_same import with_shown
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import mean


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    largest = record.profile.drive_figures.max_motor_a
    # motors that brake have not refused, whatever their own loss leaves over for the pack
    still = pl.sum_horizontal("left_a", "right_a") < max(limits["motor"], limits["motor_share"] * largest)
    told = _told(record, limits, still)
    every = pl.concat([told, _barred(record, limits, still)], how="diagonal").sort("start_t")
    since = newest_stretch(every, every["refused"].to_numpy(), limits["share"])
    brakings, hit = since.rows, since.hit
    if hit.height < limits["count"] or since.chance > limits["chance"]:
        if every.height < limits["brakings"]:
            rightly = accounted(record).height - told.height
            return NotAssessed(
                f"only {counted(every.height, 'braking event')} with demand, delivery and the pack's state recorded"
                + (f", beside {rightly} in which the pack rightly took nothing" if rightly else "")
                + ": rides with the pack warm and not full show it"
            )
        return []
    share = hit.height / brakings.height
    lost = pl.coalesce(pl.col("demand_a") - pl.col("delivered_a"), "barred_s")
    return [
        Finding(
            # That it refuses is proven above; how often is a matter of size, and so taken as it was seen.
            severity=Severity.STOP_USE if share >= limits["usual"] else Severity.SERVICE,
            item="",
            measured=share * 100,
            limit=limits["share"] * 100,
            unit="%",
            statement=f"In {hit.height} of {brakings.height} braking events {_words(hit)}.",
            se=100 * (share * (1 - share) / brakings.height) ** 0.5,
            confidence=min(1.0 - since.chance, 0.99),
            count=hit.height,
            persistence=share,
            duration_s=seconds(hit),
            windows=windows(hit.with_columns(lost=lost), "lost"),
            signals=(
                "regen_demand",
                "regen_current",
                "regen_allowed",
                "charge_limit",
                "vehicle_speed",
                "pack_soc",
            ),
        )
    ]


def _told(record: Record, limits: Mapping[str, float], still: pl.Expr) -> pl.DataFrame:
    """Brakings with a known demand, with `refused`. Without those that gave nothing for a reason: they tell nothing of
    a brake that refuses without one."""
    every = with_shown(record, accounted(record))
    asked, given = pl.col("demand_a"), pl.col("delivered_a")
    # a limiter that cuts at once, and comes back only where its taper begins, explains all within the taper; but not
    # what the controller itself allows, nor what the pack's own limit leaves open
    free = (pl.col("state_share").fill_null(1.0) >= limits["free"]) | (
        pl.col("short_undelivered_a").fill_null(0.0) >= 0.5 * asked
    )
    none = given < limits["left"] * asked
    plain = none & (pl.col("unexplained_a") >= 0.5 * asked) & free
    open_cold = pl.col("short_cold_a").fill_null(0.0) + pl.col("unexplained_a") >= 0.5 * asked
    open_cold = none & pl.col("cold_open") & open_cold
    between = given < limits["left"] * pl.min_horizontal("shown_a", "demand_a")
    refused = (plain | open_cold | between & pl.col("shown_a").is_not_null()) & still
    every = every.with_columns(refused=refused, plain=plain)
    return every.filter(pl.col("refused") | ~none | (pl.col("unexplained_a") >= 0.5 * asked) & free)


def _barred(record: Record, limits: Mapping[str, float], still: pl.Expr) -> pl.DataFrame:
    """Brakings of which only the lever is known, not what was asked, and what the controller allowed: with `refused`.
    One that was barred in part is neither."""
    rest = table(record).join(judged(record).select("start_t"), on="start_t", how="anti")
    rest = held(record, having(rest, "pulled_s", "barred_s")).filter(pl.col("pulled_s") >= limits["pulled"])
    barred = pl.col("barred_s") / pl.col("pulled_s")
    rest = rest.with_columns(refused=(barred >= limits["barred"]) & still, plain=pl.lit(False))
    return rest.filter((barred >= limits["barred"]) | (barred <= 1.0 - limits["barred"]))


def _words(hit: pl.DataFrame) -> str:
    """What was seen of the brakings hit, of the kind that is most of them."""
    told = hit.drop_nulls(["demand_a", "unexplained_a"])
    if told.height < 0.5 * hit.height:
        return (
            "the controller allowed the electric brake nothing as long as the lever was pulled, though the pack was "
            "neither full nor cold nor hot"
        )
    text = (
        f"the electric brake gave {spell(mean(told['delivered_a']), 'A')} of {spell(mean(told['demand_a']), 'A')} asked"
    )
    plain = told.filter(pl.col("plain"))
    if plain.height >= 0.5 * told.height:
        return f"{text}: {by_whom(plain)}"
    if told["cold_open"].sum() >= 0.5 * told.height:
        return f"{text}, while the pack's own limit, which falls in the cold, allowed that current"
    return f"{text}, between others of the same ride that got theirs: no cold, heat or charge comes and goes so"


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import profile
    from herdbook.pipeline.health.rules._example_brakings import braked, refused

    lever = {"demand_a": float("nan"), "delivered_a": float("nan"), "settled_s": 0.0, "pulled_s": 2.0}
    own = profile(drive={"regen_cold_full_c": 20.0, "regen_cold_zero_c": 5.0})

    def in_the_cold(limit_a: float) -> Record:
        """Three brakings so cold that the pack takes nothing, three of a milder ride; the pack's limit then and now."""
        cold = refused("cold", cell_min_c=2.0, charge_limit_a=limit_a, state_share=0.0)
        mild = refused("cold", cell_min_c=16.0, charge_limit_a=35.0, state_share=0.64)
        return replace(braked(*[cold] * 3, *[mild] * 3, *[{}] * 6), profile=own)

    return Cases(
        fires_on=(
            braked(*[refused("unreasoned", allowed_a=0.0)] * 4, *[{}] * 16),
            braked(*[refused("unreasoned", allowed_a=0.0, since_open_s=60.0)] * 4, *[{}] * 16),
            braked(*[refused("undelivered", 1.0)] * 12),
            braked(*[refused("undelivered", 1.0)] * 2, *[{}] * 3),
            braked(*[refused("undelivered", 1.0, state_share=0.2)] * 4),  # the controller itself allowed it
            braked(*[{}, refused("cold", state_share=0.0), refused("cold", state_share=0.0)] * 3, {}),
            in_the_cold(limit_a=0.0),
            braked(
                *[lever | {"pulled_s": 2.0, "barred_s": 0.0}] * 2, *[lever | {"pulled_s": 2.0, "barred_s": 2.0}] * 4
            ),
        ),
        quiet_on=(
            braked(*[{}] * 20),
            braked(*[refused("full", soc_pct=98.0)] * 12, *[{}] * 6),
            braked(*[refused("unreasoned", state_share=0.7)] * 6, *[{}] * 12),  # cut within its taper
            braked(*[refused("cold", cell_min_c=1.0)] * 12, *[{}] * 6),
            braked(*[refused("cold", state_share=0.0)] * 6, *[{}] * 6),  # it warmed up, and the brake came
            braked(
                *[{}, refused("cold", state_share=0.0, cell_max_v=3.6)] * 6, {}
            ),  # a voltage moves with each braking
            in_the_cold(limit_a=35.0),  # the pack's limit knows no cold: the taper is the controller's
            braked(*[lever | {"barred_s": 0.9}] * 9, *[{}] * 6),
            braked(*[refused("slow", speed_start_ms=1.0)] * 8, *[{}] * 6),
            braked(*[refused("undelivered", 8.0)] * 12),
            braked(refused("undelivered"), *[{}] * 12),
            braked(*[refused("undelivered", 1.0, dropout_s=1.1)] * 8, *[{}] * 12),  # it let go: another rule
            braked(*[refused("undelivered", 0.0, since_open_s=0.0)] * 8, *[{}] * 12),  # the main switch stood open
        ),
        unassessed_on=(
            braked(),
            braked(*[refused("full", soc_pct=98.0)] * 12),  # a pack that may take nothing tells nothing of the brake
            braked(*[refused("unreasoned", soc_pct=float("nan"))] * 9),
        ),
    )


RULE = Rule(
    id="regen_refused_unexplained",
    title="Electric brake refused without a reason",
    subsystem="braking",
    severity=Severity.STOP_USE,
    when=(
        (Severity.STOP_USE, "as many braking events are refused as not, or more: `usual`"),
        (Severity.SERVICE, "fewer"),
    ),
    needs=("braking_judged_count",),
    roles=("brake_demand", "regen_demand", "regen_current", "regen_allowed", "pack_soc", "cell_temp"),
    must=(
        "brake_demand",
        "regen_demand|motor_current",
        "regen_current|pack_current",
        "pack_soc|cell_voltage",
        "cell_temp",
    ),
    limits=(
        Limit("left", 0.2, "1", "of the demand: less is felt as no brake at all: engineering choice"),
        Limit("free", 0.98, "1", "of the ceiling left over by the state: under it limiters with hysteresis may cut"),
        Limit("motor", 2.0, "A", "of braking torque current: a reading's noise: engineering choice"),
        Limit("motor_share", 0.03, "1", "or of the largest torque current: engineering choice"),
        Limit("pulled", 0.4, "s", "with the lever pulled, where only the lever is known: engineering choice"),
        Limit("barred", 0.8, "1", "of that time with nothing allowed: engineering choice"),
        Limit("count", 2, "braking events", "a single one proves nothing: engineering choice"),
        Limit("share", 0.02, "1", "of braking events that a sound vehicle may leave unexplained: engineering choice"),
        Limit(
            "chance",
            0.025,
            "1",
            "of so many at that share (binomial; each start tried is paid for): engineering choice",
        ),
        Limit(
            "usual",
            0.5,
            "1",
            "of braking events, as seen: a brake that mostly stays away is none: engineering choice; taken as proven "
            "at 95 % until brakes of an outside simulation that stayed away so often had been told as service",
        ),
        Limit("brakings", 6, "braking events", "none refused of these excludes two of five at 95 %: calculation"),
    ),
    judge=judge,
    meaning="The rider asked for the electric brake and it stayed away, with the pack ready to take the energy. The "
    "other brake has to do all the work, and the rider does not know when.",
    causes=(
        Cause(
            "The controller blocks the brake by itself", reads_in("regen_state", "refused", "fault", rules_out=False)
        ),
        Cause(
            "A limit held by controller or battery management system that nothing explains (configuration, firmware)",
            less_than("regen_allowed", "regen_demand", "the current allowed", "the current asked"),
        ),
        Cause(
            "A temperature or voltage sensor that makes the limiter believe the pack is cold or full",
            also_found("temp_sensor_fault", "pack_sum_disagrees", "loose_sense_wire"),
        ),
        Cause(
            "A power stage or encoder fault that stops torque in one or both motors",
            bits_set("motor_fault", "controller_fault"),
        ),
        Cause(
            "A broken message between battery management system and controller, which then takes a safe limit",
            also_found("message_faults"),
        ),
    ),
    bench=(
        "Read the controller's and the battery management system's limits at 20 °C and half charge",
        "Compare firmware and configuration with a vehicle that brakes",
        "Wheels free: command a braking from half speed and measure pack current and phase currents",
        "Check the other brake before anything is ridden",
    ),
    cautions=CAUTION,
    source="which refusals are correct: the vehicle's own tapers; chance and share: binomial, exact",
    version=5,  # refused in between brakings that were given; by the lever alone; in the cold with an open limit
    cases=_cases,
)
