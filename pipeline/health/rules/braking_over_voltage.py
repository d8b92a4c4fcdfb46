"""The voltage passes its limit while braking, at the pack or at the controller's DC link; or is on its way there.

On its way: the link rises above the pack in step with the braking current, as through a resistance far beyond that of
sound wires and plugs, or far enough that the strongest braking its maker allows would carry it past its limit. Judged
is the rise over what both sensors differ by without current, or the slope over many brakings, so that a sensor's offset
does not count. Pack voltage that no group bears out is a sensor's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import (
    also_found,
    any_of,
    apart,
    less_likely_if,
    over,
    over_top_speed,
    reads_in,
    under,
)
from herdbook.pipeline.health.reading import event_table, having, only, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._judged_brakings import CAUTION, LET_GO_S, NEWEST, table
from herdbook.pipeline.health.rules._link_slope import link_slope
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.health.statistics import confidence, largest, middle
from herdbook.pipeline.metrics.braking import over_voltage_limit
from herdbook.pipeline.metrics.shared.braking_samples import least_a
from herdbook.pipeline.vehicle.roles import MOTORS

UNITS = ("controller", *MOTORS)
JOINT = (
    "A bad joint between pack and controller, or a link sensor wrong with load: the voltage drop over each joint, "
    "measured under current, separates them."
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    brakings = table(record)
    known = only(brakings, (brakings["pack_over_s"].is_not_null() | brakings["link_over_s"].is_not_null()).to_numpy())
    if not known.height:
        return NotAssessed("no braking with pack or DC-link voltage recorded, or the profile names no limit")
    found = []
    for where, words in (("pack", "pack voltage"), ("link", "DC-link voltage")):
        hit = only(known, known[f"{where}_over_s"].cast(pl.Float64).to_numpy() >= limits["duration"])
        limit = over_voltage_limit(record.profile, where)
        if limit is None:
            continue
        if where == "pack" and hit.height:
            hit = hit.filter(~_no_group_bears_it_out(record, limit, limits["seen"]))
        if hit.height < limits["count"]:
            continue
        lost = _lost(record, hit) if where == "link" and record.profile.drive_figures.dc_link_max_v else hit.clear()
        gone = lost.height >= limits["count"]
        top = largest(hit[f"{where}_v_max"])
        longest = largest(hit[f"{where}_over_s"])
        full = hit.filter(pl.col("soc_pct") >= 90).height
        cold = hit.filter(pl.col("cell_min_c") < 5).height
        found.append(
            Finding(
                severity=Severity.STOP_USE if gone else Severity.SERVICE,
                item=words,
                measured=top,
                limit=limit,
                unit="V",
                statement=f"In {hit.height} of {known.height} braking events the {words} passed {spell(limit, 'V')}, "
                f"up to {spell(top, 'V')} and for up to {spell(longest, 's')}; the pack was over 90 % full in {full} "
                f"of them and under 5 °C in {cold}."
                + (f" In {lost.height} of them the controller reported a fault or the brake let go." if gone else ""),
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
    named = {f.item for f in found}
    risen = _rise(record, known, limits) or _resistance(record, known, limits) or _headed(record, known, limits)
    found += [f for f in (risen,) if f is not None and f.item not in named]
    given = having(known, "delivered_a")
    if not found and given.height and (given["delivered_a"].to_numpy() < least_a(record.profile)).all():
        return NotAssessed(
            f"in none of {counted(given.height, 'braking event')} did the electric brake give "
            f"{spell(least_a(record.profile), 'A')} or more, and without current nothing rises: rides with the pack "
            "warm and not full show it"
        )
    return found


def _lost(record: Record, hit: pl.DataFrame) -> pl.DataFrame:
    """Those of these brakings in which a fault of the controller or a motor began, or the brake let go."""
    faults = event_table(record, "fault_bits", ())
    at = faults.filter(pl.col("item").is_in(UNITS))["start_t"].to_physical().to_numpy()
    first, last = (hit[c].to_physical().to_numpy() for c in ("start_t", "end_t"))
    tripped = ((at >= first[:, None]) & (at <= last[:, None])).any(axis=1)
    return hit.filter(pl.Series(tripped, dtype=pl.Boolean) | (pl.col("dropout_s").fill_null(0.0) >= LET_GO_S))


def _no_group_bears_it_out(record: Record, limit: float, seen_s: float) -> pl.Expr:
    """The pack is no higher than all groups at the highest one's voltage, where that was long enough to be seen."""
    pack = record.profile.pack_figures
    every = pl.col("cell_max_v") * float(pack.cells or 0)
    return ((every > 0) & (every < limit) & (pl.col("pack_over_s") >= seen_s)).fill_null(False)


def _risen(record: Record, brakings: pl.DataFrame) -> pl.DataFrame:
    """Braking by braking what the link has more than the pack beyond what it has without current (`risen_v`), and that
    over the current (`ohm`)."""
    rows = having(brakings, "link_rise_v", "link_idle_v", "delivered_a").tail(NEWEST)
    rows = rows.filter(pl.col("delivered_a") >= least_a(record.profile))
    rows = rows.with_columns(risen_v=pl.col("link_rise_v") - pl.col("link_idle_v"))
    return rows.with_columns(ohm=pl.col("risen_v") / pl.col("delivered_a"))


def _stale_ohm(record: Record) -> float:
    """A pack voltage told once a second may be that of the moment before: its own drop is then in the rise."""
    pack = record.profile.pack_figures
    return (pack.cells or 0) * pack.cell_r10s_mohm / 1000.0


def _rise(record: Record, brakings: pl.DataFrame, limits: Mapping[str, float]) -> Finding | None:
    """By each braking on its own."""
    rows = _risen(record, brakings)
    if not rows.height:
        return None
    limit = limits["ohm"] + _stale_ohm(record)
    since = newest_stretch(rows, (rows["ohm"] > limit).to_numpy(), 0.5)
    hit, seen = since.hit, since.hit.filter(pl.col("risen_v") >= limits["rise"])
    # a gentle braking rises by little: a few that rise by more than the readings' steps are enough to bear it out
    if seen.height < limits["count"] or hit.height < limits["most"] * since.rows.height:
        return None
    mid = middle(since.rows["ohm"], least_se=0.1 * abs(float(since.rows["ohm"].to_numpy().mean())))
    if mid.value - 3.0 * mid.se < limit:
        return None
    top = largest(hit["risen_v"])
    return Finding(
        severity=Severity.SERVICE,
        item="DC-link voltage",
        measured=mid.value,
        limit=limit,
        unit="ohm",
        statement=f"In {hit.height} of {counted(since.rows.height, 'braking event')} the DC link rose above the pack "
        f"by up to {spell(top, 'V')} more than it stands there without current, {spell(mid.value, 'V', mid.se)} per "
        "ampere: far more than wires and plugs explain.",
        se=mid.se,
        confidence=min(0.98, confidence(mid.value, limit, mid.se)),
        persistence=hit.height / since.rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, "risen_v"),
        signals=("dc_link_voltage", "pack_voltage", "regen_current"),
        not_separable=JOINT,
    )


def _resistance(record: Record, brakings: pl.DataFrame, limits: Mapping[str, float]) -> Finding | None:
    """By the slope over brakings of differing current, however gentle."""
    rows = having(brakings, "link_rise_v", "delivered_a").filter(pl.col("delivered_a") > 0.0).tail(NEWEST)
    limit = limits["ohm"] + _stale_ohm(record)
    slope = link_slope(rows, limit)
    if slope is None or slope.rows.height < limits["brakings"] or slope.moved_v < limits["rise"]:
        return None
    rows, ohm, se = slope.rows, slope.ohm, slope.se
    if ohm - 3.0 * se < limit:
        return None
    top = largest(rows["link_rise_v"])
    return Finding(
        severity=Severity.SERVICE,
        item="DC-link voltage",
        measured=ohm,
        limit=limit,
        unit="ohm",
        statement=f"While braking the DC link rises above the pack by {spell(ohm, 'V', se)} per ampere, "
        f"{spell(top, 'V')} at most in {rows.height} braking events: far more than wires and plugs explain.",
        se=se,
        confidence=confidence(ohm, limit, se),
        persistence=1.0,
        count=rows.height,
        duration_s=seconds(rows),
        windows=windows(rows, "link_rise_v"),
        signals=("dc_link_voltage", "pack_voltage", "regen_current"),
        not_separable=JOINT,
    )


def _headed(record: Record, brakings: pl.DataFrame, limits: Mapping[str, float]) -> Finding | None:
    """Where the strongest braking that the maker allows, into a pack that still takes all of it, would carry the link
    past its limit, though no braking was yet as strong."""
    drive, pack = record.profile.drive_figures, record.profile.pack_figures
    cell_v = drive.regen_cell_full_v or pack.cell_max_v
    top, strongest, rows = over_voltage_limit(record.profile, "link"), drive.regen_max_a, _risen(record, brakings)
    if top is None or strongest is None or cell_v is None or pack.cells is None or not rows.height:
        return None
    sound = limits["sound"] + _stale_ohm(record)
    since = newest_stretch(rows, (rows["ohm"] > sound).to_numpy(), 0.5)
    if since.hit.height < limits["alike"] or since.hit.height < limits["most"] * since.rows.height:
        return None
    mid = middle(since.rows["ohm"], least_se=0.1 * abs(float(since.rows["ohm"].to_numpy().mean())))
    # by the link's own reading, which is the one that trips; how full the pack is when it still takes all is given
    reaches, reaches_se = pack.cells * cell_v + mid.value * strongest, mid.se * strongest
    if mid.value - 3.0 * mid.se < sound or reaches < top:
        return None
    text = f"While braking the DC link rises above the pack by {spell(mid.value, 'V', mid.se)} per ampere more than it "
    text += f"stands there without current, in {since.hit.height} of {counted(since.rows.height, 'braking event')}. "
    text += (
        f"With the {spell(strongest, 'A')} that its maker allows, into a pack that still takes them, it would reach "
    )
    text += f"{spell(reaches, 'V', reaches_se)}; its limit is {spell(top, 'V')}."
    return Finding(
        severity=Severity.SERVICE,
        item="DC-link voltage",
        measured=reaches,
        limit=top,
        unit="V",
        statement=text,
        se=reaches_se,
        confidence=min(0.98, confidence(reaches, top, reaches_se)),
        persistence=since.hit.height / since.rows.height,
        count=since.hit.height,
        duration_s=seconds(since.hit),
        windows=windows(since.hit, "risen_v"),
        signals=("dc_link_voltage", "pack_voltage", "regen_current"),
        not_separable=JOINT,
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import profile
    from herdbook.pipeline.health.rules._example_brakings import braked

    def rise(amps: float, volts: float) -> dict[str, float]:
        return {
            "delivered_a": amps,
            "demand_a": amps,
            "link_rise_v": volts,
            "link_over_s": 0.0,
            "link_v_max": 40.0 + volts,
        }

    def above_idle(volts: float, amps: float = 8.0) -> dict[str, float]:
        """Beside a link that reads 0.8 V more than the pack without current."""
        return rise(amps, 0.8 + volts) | {"link_idle_v": 0.8}

    def gentle(ohm: float, strongest_a: float) -> Record:
        """Brakings of 6 A, of a vehicle whose maker allows more."""
        drive = {"regen_max_a": strongest_a, "dc_link_max_v": 45.0, "regen_cell_full_v": 3.4}
        known = braked(*[above_idle(6.0 * ohm, 6.0)] * 8)
        return replace(known, profile=profile(drive=drive))

    def trips(over_link: int, faults: int) -> Record:
        """Brakings that carry the link past the limit its maker names; in some a fault is reported."""
        rows = [{"link_over_s": 0.5, "link_v_max": 60.0}] * over_link + [{"link_over_s": 0.0, "link_v_max": 41.0}] * 9
        known = replace(braked(*rows), profile=profile(drive={"dc_link_max_v": 55.0}))
        starts = known.events.filter(pl.col("kind") == "braking").sort("start_t").head(faults)
        return replace(
            known, events=pl.concat([known.events, starts.with_columns(kind=pl.lit("fault_bits"), item=pl.lit("left"))])
        )

    over = {"pack_over_s": 2.0, "pack_v_max": 44.6}
    return Cases(
        fires_on=(
            braked(*[above_idle(6.0)] * 3),
            braked(*[above_idle(0.75, 2.5)] * 8, *[above_idle(1.5, 5.0)] * 3),  # most of them gentle
            gentle(0.12, strongest_a=50.0),
            braked(
                *[rise(a, 0.5 + 0.9 * a) for a in (0.3, 0.5, 0.7, 0.9, 1.1, 1.5, 1.9, 2.1)]
            ),  # gentle all, and clear
            braked(*[over | {"cell_max_v": 3.7}] * 3),
            trips(over_link=3, faults=3),
            trips(over_link=3, faults=0),
            braked(*[{"pack_over_s": 0.5, "pack_v_max": 44.6, "link_over_s": 0.0, "link_v_max": 44.7}] * 3),
        ),
        quiet_on=(
            braked(*[above_idle(0.6)] * 9),
            gentle(0.12, strongest_a=10.0),  # it cannot get far
            gentle(0.02, strongest_a=50.0),
            braked(above_idle(6.0), *[above_idle(0.1)] * 9),
            braked(*[over | {"cell_max_v": 3.4}] * 9),  # the pack's reading is high, and no group is
            braked(*[rise(a, 1.5 + 0.01 * a) for a in (4.0, 8.0, 12.0, 16.0, 20.0)] * 2),
            braked(*[{"pack_over_s": 0.0, "pack_v_max": 42.0}] * 9),
            braked({"pack_over_s": 0.5, "pack_v_max": 44.6}, *[{"pack_over_s": 0.0, "pack_v_max": 42.0}] * 9),
        ),
        unassessed_on=(braked({}, {}), braked(*[rise(0.0, 0.1)] * 30)),
    )


_RISES = apart(
    "dc_link_voltage",
    "pack_voltage",
    2.0,  # V, at tens of amperes more than 50 mOhm: engineering choice
    "the link stands {by} above the pack's terminals",
    "the link stays with the pack's terminals",
)


RULE = Rule(
    id="braking_over_voltage",
    title="Over-voltage while braking",
    subsystem="braking",
    severity=Severity.STOP_USE,
    when=(
        (
            Severity.STOP_USE,
            "the DC link passed the limit that its maker names, and in `count` of these braking events the controller "
            "reported a fault or the brake let go: the electric brake goes with it",
        ),
        (Severity.SERVICE, "else"),
    ),
    needs=("braking_count",),
    roles=("brake_demand", "pack_voltage", "dc_link_voltage"),
    must=("brake_demand", "pack_voltage|dc_link_voltage"),
    limits=(
        Limit("duration", 0.1, "s", "a longer time than one sample at common rates: engineering choice"),
        Limit("ohm", 0.15, "ohm", "between pack and DC link; sound wires and plugs stay under 0.02: from memory"),
        Limit(
            "sound",
            0.03,
            "ohm",
            "between pack and DC link, half as much again as sound wires and plugs have at most: from memory",
        ),
        Limit("alike", 4, "braking events", "that rise beyond `sound`: engineering choice"),
        Limit("seen", 1.0, "s", "a group that goes so high so long is seen by its own reading: engineering choice"),
        Limit(
            "rise",
            1.0,
            "V",
            "over the pack in `count` brakings, or within a ride, beyond steps of readings: engineering choice",
        ),
        Limit("most", 0.8, "share", "of the brakings since it began: engineering choice"),
        Limit("brakings", 8, "braking events", "for the slope: engineering choice"),
        Limit("count", 2, "braking events", "engineering choice"),
    ),
    judge=judge,
    meaning="Energy from braking had nowhere to go. The controller may trip and the brake with it; power stages and "
    "cells are stressed.",
    causes=(
        Cause(
            "Charge limit too high for a full or cold pack: resistance of cold cells is two to three times as high",
            less_likely_if(
                any_of(
                    over("pack_soc", 90.0, "the reported charge", rules_out=False),
                    under("cell_temp", 5.0, "the coldest sensor", rules_out=False),
                ),
                _RISES,
            ),
        ),
        Cause(
            "High resistance in the pack, a joint or a connector",
            any_of(also_found("resistance_outside_groups", "weak_group"), _RISES),
        ),
        Cause(
            "The pack's charge switch opening under current",
            any_of(reads_in("contactor_state", "open", "fault"), also_found("contactor_opened_under_load")),
        ),
        Cause("Over-speed downhill: back-EMF above the bus", over_top_speed()),
    ),
    bench=(
        "Compare charge limit, charge and cell temperature in these windows",
        "Measure pack and connector resistance",
        "Read the controller's over-voltage memory",
    ),
    cautions=CAUTION,
    source="limits: the profile's dc_link_max_v, or groups x highest group voltage",
    version=5,  # the slope of gentle brakings since it began; not assessed where no braking gave current
    cases=_cases,
)
