"""The electric brake gave nothing, or nearly, and neither the pack's state nor the speed says why.

The refusals that are correct behaviour (full, cold, hot, walking pace, above the pack's ceiling) are taken
off first, braking by braking, with the vehicle's own tapers. The demand is the command the controller
received: a lost radio link looks like a released lever and is no refusal.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, bits_set, less_than, reads_in
from herdbook.pipeline.health.reading import seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, accounted, by_whom
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import mean


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    every = accounted(record)
    largest = record.profile.drive_figures.max_motor_a
    refused = every.select(
        (pl.col("delivered_a") < limits["left"] * pl.col("demand_a"))
        & (pl.col("unexplained_a") >= 0.5 * pl.col("demand_a"))
        # a limiter that cuts at once, and comes back only where its taper begins, explains all within the taper
        & (pl.col("state_share").fill_null(1.0) >= limits["free"])
        # motors that brake have not refused, whatever their own loss leaves over for the pack
        & (pl.sum_horizontal("left_a", "right_a") < max(limits["motor"], limits["motor_share"] * largest))
    ).to_series()
    since = newest_stretch(every, refused.to_numpy(), limits["share"])
    brakings, hit = since.rows, since.hit
    if hit.height < limits["count"] or since.chance > limits["chance"]:
        if every.height < limits["brakings"]:
            return NotAssessed(
                f"only {counted(every.height, 'braking event')} with demand, delivery and the pack's state recorded"
            )
        return []
    asked, given = mean(hit["demand_a"]), mean(hit["delivered_a"])
    share = hit.height / brakings.height
    return [
        Finding(
            # That it refuses is proven above; how often is a matter of size, and so taken as it was seen.
            severity=Severity.STOP_USE if share >= limits["usual"] else Severity.SERVICE,
            item="",
            measured=share * 100,
            limit=limits["share"] * 100,
            unit="%",
            statement=f"In {hit.height} of {brakings.height} braking events the electric brake gave "
            f"{spell(given, 'A')} of {spell(asked, 'A')} asked: {by_whom(hit)}.",
            se=100 * (share * (1 - share) / brakings.height) ** 0.5,
            confidence=min(1.0 - since.chance, 0.99),
            count=hit.height,
            persistence=share,
            duration_s=seconds(hit),
            windows=windows(hit, "unexplained_a"),
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


def _cases() -> Cases:
    from herdbook.pipeline.health.rules._example_brakings import braked, refused

    return Cases(
        fires_on=(
            braked(*[refused("unreasoned", allowed_a=0.0)] * 4, *[{}] * 16),
            braked(*[refused("unreasoned", allowed_a=0.0, since_open_s=60.0)] * 4, *[{}] * 16),
            braked(*[refused("undelivered", 1.0)] * 12),
            braked(*[refused("undelivered", 1.0)] * 2, *[{}] * 3),
        ),
        quiet_on=(
            braked(*[{}] * 20),
            braked(*[refused("full", soc_pct=98.0)] * 12),
            braked(*[refused("unreasoned", state_share=0.7)] * 6, *[{}] * 12),  # cut within its taper
            braked(*[refused("cold", cell_min_c=1.0)] * 12),
            braked(*[refused("slow", speed_start_ms=1.0)] * 8, *[{}] * 6),
            braked(*[refused("undelivered", 8.0)] * 12),
            braked(refused("undelivered"), *[{}] * 12),
            braked(*[refused("undelivered", 1.0, dropout_s=1.1)] * 8, *[{}] * 12),  # it let go: another rule
            braked(*[refused("undelivered", 0.0, since_open_s=0.0)] * 8, *[{}] * 12),  # the main switch stood open
        ),
        unassessed_on=(braked(), braked(*[refused("unreasoned", soc_pct=float("nan"))] * 9)),
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
    version=4,
    cases=_cases,
)
