"""The electric brake gave little or nothing back, and the pack's state says why. Correct behaviour, worth knowing.

A full pack, cells near freezing, a hot pack or power stage: taking the current would harm them, so the
limiter refuses. The rider feels a weaker brake all the same; whoever reads a complaint about braking needs to
see this first.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, event_figure
from herdbook.pipeline.health.reading import seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, judged
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import mean

WORDS = {"full": "the pack was full", "cold": "the pack was cold", "hot": "pack or power stage was hot"}


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    brakings = judged(record)
    if not brakings.height:
        return NotAssessed("no braking with demand and delivery recorded")
    explained = pl.sum_horizontal(pl.col(f"short_{p}_a").fill_null(0.0) for p in WORDS)
    hit = brakings.with_columns(explained=explained).filter(
        pl.col("explained") >= limits["share"] * pl.col("demand_a"),
        pl.col("explained") >= 0.8 * pl.col("short_a"),
    )
    if hit.height < limits["count"]:
        return []
    sums = {p: float(hit[f"short_{p}_a"].fill_null(0.0).sum()) for p in WORDS}
    main = max(sums, key=lambda p: sums[p])
    gone = mean(hit["explained"] / hit["demand_a"]) * 100
    return [
        Finding(
            severity=Severity.NOTE,
            item="",
            measured=gone,
            limit=limits["share"] * 100,
            unit="%",
            statement=f"In {hit.height} of {brakings.height} braking events the electric brake gave {spell(gone, '%')} "
            f"less than asked because its limits called for it: mostly {WORDS[main]}.",
            count=hit.height,
            persistence=hit.height / brakings.height,
            duration_s=seconds(hit),
            windows=windows(hit, "explained"),
            signals=(
                "regen_demand",
                "regen_current",
                "regen_allowed",
                "pack_soc",
                "cell_temp",
                "charge_limit",
            ),
        )
    ]


def _cases() -> Cases:
    from herdbook.pipeline.health.rules._example_brakings import braked, refused

    return Cases(
        fires_on=(braked(*[refused("full", soc_pct=98.0)] * 4, *[{}] * 6), braked(*[refused("cold", 4.0)] * 3)),
        quiet_on=(
            braked(*[{}] * 10),
            braked(*[refused("full")] * 2, *[{}] * 8),
            braked(*[refused("unreasoned")] * 5),
        ),
        unassessed_on=(braked(),),
    )


RULE = Rule(
    id="regen_refused_explained",
    title="Electric brake limited as designed",
    subsystem="braking",
    severity=Severity.NOTE,
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
        Limit("share", 0.3, "1", "of the demand; a rider notices less hardly: engineering choice"),
        Limit("count", 3, "braking events", "fewer are an episode: engineering choice"),
    ),
    judge=judge,
    meaning="A full, cold or hot pack must not take the brake's energy; the limiter refused it, as it should. The "
    "brake was weaker all the same.",
    causes=(
        Cause(
            "Riding off downhill on a full charge",
            event_figure(
                "braking",
                "short_full_a",
                1.0,
                "{value} less than asked because the pack was full",
                "nothing was held back because the pack was full",
                "A",
                "pack_soc",
            ),
        ),
        Cause(
            "Riding off with the pack near freezing",
            event_figure(
                "braking",
                "short_cold_a",
                1.0,
                "{value} less than asked because the pack was cold",
                "nothing was held back because the pack was cold",
                "A",
                "cell_temp",
            ),
        ),
        Cause(
            "A group at its upper voltage before the others (see the cell findings), which makes the pack full early",
            also_found("out_of_balance", "weak_group"),
        ),
    ),
    bench=(
        "Ask where and when the rider missed the brake; compare with these times",
        "Check that the other brake holds the vehicle alone",
        "Check that the vehicle tells its rider when the electric brake is limited",
    ),
    cautions=CAUTION[1:],
    source="charging limits by temperature: public fire-safety advice, 0 to 40 °C; taper figures: the profile",
    version=2,
    cases=_cases,
)
