"""The voltage passes its limit while braking: at the pack, or at the controller's DC link."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.health.evidence import largest, spell, windows
from pipeline.health.model import Finding, Limit, NotAssessed, Record, Rule
from pipeline.health.rules._brakings import CAUTION, braked, table
from pipeline.metrics.braking import over_voltage_limit


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    brakings = table(record)
    known = brakings.filter(pl.col("pack_over_s").is_not_null() | pl.col("link_over_s").is_not_null())
    if not known.height:
        return NotAssessed("no braking with pack or DC-link voltage recorded, or the profile names no limit")
    found = []
    for where, words in (("pack", "pack voltage"), ("link", "DC-link voltage")):
        hit = known.filter(pl.col(f"{where}_over_s") >= limits["duration"])
        limit = over_voltage_limit(record.profile, where)
        if hit.height < limits["count"] or limit is None:
            continue
        top = largest(hit[f"{where}_v_max"])
        longest = largest(hit[f"{where}_over_s"])
        full = hit.filter(pl.col("soc_pct") >= 90).height
        cold = hit.filter(pl.col("cell_min_c") < 5).height
        found.append(
            Finding(
                "service",
                words,
                top,
                limit,
                "V",
                f"In {hit.height} of {known.height} brakings the {words} passed {spell(limit, 'V')}, up to "
                f"{spell(top, 'V')} and for up to {spell(longest, 's')}; the pack was over 90 % full in "
                f"{full} of them "
                f"and under 5 degC in {cold}.",
                se=0.1,
                confidence=0.97,
                persistence=hit.height / known.height,
                count=hit.height,
                duration_s=float(hit[f"{where}_over_s"].sum()),
                windows=windows(hit, f"{where}_v_max"),
                signals=(
                    "pack_voltage",
                    "dc_link_voltage",
                    "regen_current",
                    "pack_soc",
                    "cell_temp",
                    "motor_speed",
                ),
            )
        )
    return found


RULE = Rule(
    id="braking_over_voltage",
    title="Over-voltage while braking",
    subsystem="braking",
    severity="service",
    needs=("braking_count",),
    roles=("brake_demand", "pack_voltage", "dc_link_voltage"),
    limits=(
        Limit("duration", 0.1, "s", "a longer time than one sample at common rates: engineering choice"),
        Limit("count", 2, "brakings", "engineering choice"),
    ),
    judge=judge,
    meaning="Energy from braking had nowhere to go. The controller may trip and the brake with it; power "
    "stages and "
    "cells are stressed.",
    causes=(
        "Charge limit too high for a full or cold pack: resistance of cold cells is two to three times as "
        "high",
        "High resistance in the pack, a joint or a connector",
        "The pack's charge switch opening under current",
        "Over-speed downhill: back-EMF above the bus",
    ),
    bench=(
        "Compare charge limit, charge and cell temperature in these windows",
        "Measure pack and connector resistance",
        "Read the controller's over-voltage memory",
    ),
    cautions=CAUTION,
    source="limits: the profile's dc_link_max_v, or groups x highest group voltage",
    fires_on=(
        braked(*[{"pack_over_s": 0.5, "pack_v_max": 44.6, "link_over_s": 0.0, "link_v_max": 44.7}] * 3),
    ),
    quiet_on=(
        braked(*[{"pack_over_s": 0.0, "pack_v_max": 42.0}] * 9),
        braked({"pack_over_s": 0.5, "pack_v_max": 44.6}, *[{"pack_over_s": 0.0, "pack_v_max": 42.0}] * 9),
    ),
    unassessed_on=(braked({}, {}),),
)
