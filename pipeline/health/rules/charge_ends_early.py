"""Charges that do not reach full: one group stops them, or the charger reports a fault.

Physics: the charge ends when the fullest group is at its limit. When the others are far below at that
moment, the pack is out of balance and stays so, since the balancer works only near full. An unplugged
charger proves nothing, but ends at one and the same charge, again and again, are a device's (pack/charge_ceiling.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import (
    a_group_was_first,
    also_found,
    any_of,
    less_likely_if,
    no_group_was_full,
    reads_in,
    unless,
)
from herdbook.pipeline.health.pack.charge_ceiling import FULL_PCT, Ceiling, ceiling
from herdbook.pipeline.health.pack.curve_place import ended_at
from herdbook.pipeline.health.pack.offsets import offsets
from herdbook.pipeline.health.reading import event_table, metric_rows, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, of_chemistry
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.sentences import counted, spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import at_least
from herdbook.pipeline.metrics.charge import AT_LIMIT_V, flows_yet
from herdbook.pipeline.science.meta_analysis import Z95
from herdbook.pipeline.vehicle.record import Event, Metric
from herdbook.pipeline.vehicle.roles import ROLES

LIMITS = (
    Limit("least", 2.0, "charges", "engineering choice: one early end is no finding"),
    Limit("share", 0.3, "share of charges that ran to an end", "engineering choice"),
    of_chemistry("low_v", "short_of_full_v", "V, median group"),
    Limit("flowing_c", 0.1, "C", "engineering choice: a charge that is nearly full has tapered below"),
    Limit("days", 45.0, "days", "engineering choice: the newest stretch that is judged together"),
    Limit("z", 3.0, "standard errors", "engineering choice: of where on its curve a charge ended, 1 in 700 by chance"),
    Limit(
        "lead",
        3.0,
        "% of rated charge",
        "engineering choice: as out_of_balance acts; less is a full pack's spread. Made after sound packs of an "
        "outside simulation had been told by their volts at full",
    ),
)
STATES = ROLES["charger_state"].states
KINDS = {
    "group_limit": ("stopped by one group at its limit", "out of balance, or one group of high resistance"),
    "stopped_short": (
        "declared done by the charger with the current still flowing and the pack not yet full",
        "a limit that was chosen on purpose, the charger's setting, or what the pack told it",
    ),
    "charger_fault": ("ended with a fault of the charger", "the charger, its mains, or what the pack told it"),
}


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if not metric_rows(record, "charge_end").height:
        return NotAssessed("no charge was recorded")
    ends = _with_what_followed(
        record, event_table(record, "charge", ("end_highest_v", "end_median_v", "end_a")), limits
    )
    ends = _by_the_curve(record, ends, limits)
    ends = ends.filter(pl.col("start_t") >= pl.col("start_t").max() - pl.duration(days=limits["days"]))
    told = ends.filter(pl.col("item").is_in(["complete", *KINDS])).sort("start_t")
    told = told.with_columns(full_v=pl.lit(limits["low_v"]))
    at_one = ceiling(record, limits["days"])
    if told.height < limits["least"]:
        if at_one is not None:
            return [_at_one_charge(at_one)]
        if told.height and told["item"][-1] == "stopped_short":
            return [_once(told.tail(1), limits)]
        return NotAssessed(
            f"{counted(told.height, 'charge')} that ran to an end; the others were unplugged or cut by the record"
        )
    found = []
    for kind in KINDS:
        early = told.filter(pl.col("item") == kind)
        if kind == "group_limit" and _ordinary(record, limits):
            continue
        since = _newest(told, kind)
        if early.height >= limits["least"] and early.height / told.height >= limits["share"]:
            whole = _finding(kind, early, told.height, limits)
            found.append(_by_a_wire(whole) if kind == "group_limit" and unread(record) else whole)
        elif (
            kind == "stopped_short" and since.height >= limits["least"]
        ):  # begun lately: not diluted by what was before
            found.append(_finding(kind, since, since.height, limits))
    if at_one is not None and not found:
        found.append(_at_one_charge(at_one))
    if not found and told["item"][-1] == "stopped_short":
        found.append(_once(told.tail(1), limits))
    return found


def _newest(told: pl.DataFrame, kind: str) -> pl.DataFrame:
    """The newest charges in a row that ended so; told in order of time."""
    other = (told["item"] != kind).arg_true()
    return told.slice(int(other[-1]) + 1) if other.len() else told


def _by_a_wire(f: Finding) -> Finding:
    """The monitor stops at what it reads: where a group's wire reads wrongly, no group was at its limit."""
    said = "A group is read wrongly by its wire, and the monitor stops at what it reads: mend the wire first."
    return replace(f, severity=Severity.NOTE, not_separable=said)


def _by_the_curve(record: Record, ends: pl.DataFrame, limits: Mapping[str, float]) -> pl.DataFrame:
    """With what the curve says of where each charge ended (pack/curve_place.py). A cold pack stands high from its
    resistance: one that is called done with current flowing, and surely was not full, was stopped short."""
    joined = ends.join(ended_at(record, limits["days"]), left_on="session_start_t", right_on="start_t", how="left")
    rated = record.profile.pack_figures.rated_ah
    flows = pl.col("end_a") > limits["flowing_c"] * rated
    short = pl.col("pct") + limits["z"] * pl.col("pct_se") < FULL_PCT
    stopped = ((pl.col("item") == "complete") & flows & short).fill_null(value=False)
    return joined.with_columns(item=pl.when(stopped).then(pl.lit("stopped_short")).otherwise(pl.col("item")))


def _once(end: pl.DataFrame, limits: Mapping[str, float]) -> Finding:
    """The charger's own word needs no second charge to be true; that it goes on so does. Where the fleet's packs go on
    from the step of their curve to full, and this one surely did not, it is acted on: who set a limit for once knows.
    """
    volts, amps = end["end_median_v"][0], end["end_a"][0]
    lacks, error = end["lacks"][0], end["lacks_se"][0]
    sure = lacks is not None and lacks - 100.0 + FULL_PCT > limits["z"] * error
    text = f"The newest charge was declared done by the charger with {spell(amps, 'A')} still flowing and the "
    text += f"median group at {volts:.2f} V, {'far from full' if volts < end['full_v'][0] else 'not yet full'}. "
    if sure:
        text += f"From the step of its curve on it took {spell(lacks, '% of rated charge', error)} less than the "
        text += "fleet's packs take to full."
    else:
        text += "One charge alone may have had a limit set for once."
    return Finding(
        severity=Severity.SERVICE if sure else Severity.NOTE,
        item="stopped short",
        measured=float(volts),
        limit=float(end["full_v"][0]),
        unit="V, median group",
        se=0.01,
        statement=text,
        confidence=0.9,
        persistence=1.0,
        count=1,
        duration_s=float((end["end_t"] - end["start_t"]).dt.total_seconds().sum()),
        windows=windows(end.with_columns(t=pl.col("start_t").cast(pl.Int64).cast(pl.Float64)), "t"),
        signals=("cell_voltage", "pack_current", "charger_state"),
        not_separable=f"Possible: {KINDS['stopped_short'][1]}. The next charges tell.",
        unsettled=not sure,
    )


def _ordinary(record: Record, limits: Mapping[str, float]) -> bool:
    """Whether the fullest group leads by so little charge that the others are as good as full when it is: near full a
    per cent is a quarter of a volt, so that volts tell nothing."""
    top = [o.pooled() for o in offsets(record, "top", limits["days"]).values()]
    if len(top) < 3:
        return False
    fullest = max(top, key=lambda p: p.value)
    return fullest.value + Z95 * fullest.se < limits["lead"]


def _at_one_charge(c: Ceiling) -> Finding:
    """A note: nothing on the bus tells a limit that somebody wants from one that nobody does."""
    apart = f"within {c.spread:.1f} % of each other" if c.spread >= 0.05 else "to the digit"
    before = f" {counted(c.before, 'earlier charge')} went further." if c.before else ""
    if c.unseen:
        recorded = counted(c.charges - c.unseen, "recorded charge")
        which = "a charge" if c.unseen == 1 else "charges"
        later = f"{counted(c.unseen, 'session')} began after {which} that nobody recorded"
        said = f"{recorded} ended with the current still flowing, and {later}, at {c.pct:.0f} % reported, {apart}"
    else:
        said = f"The last {c.charges} charges ended at {c.pct:.0f} % reported, {apart}, with the current still flowing"
    return Finding(
        severity=Severity.NOTE,
        item="one charge",
        measured=c.pct,
        limit=FULL_PCT,
        unit="% of charge",
        se=max(c.spread, 0.5),
        statement=f"{said}: most likely a device ends charges there, not a hand that pulls the plug.{before}",
        confidence=1.0 - c.chance,
        persistence=1.0,
        count=c.charges,
        duration_s=sum((w.end - w.start) / 1e6 for w in c.windows),
        windows=c.windows,
        signals=("pack_soc", "pack_current", "cell_voltage", "charger_state"),
        not_separable="Possible: a limit that was set on purpose in the vehicle or the charger, or a charger or "
        "battery monitor that stops too early. Whoever set it knows; another charger tells.",
    )


def _with_what_followed(record: Record, ends: pl.DataFrame, limits: Mapping[str, float]) -> pl.DataFrame:
    """A charge session ends with its current; what the charger said then stands at the start of the next rest."""
    after = metric_rows(record, "charger_after").select(
        pl.col("start_t").alias("rest_t"), pl.col("value").alias("after")
    )
    joined = ends.sort("end_t").join_asof(
        after.sort("rest_t"), left_on="end_t", right_on="rest_t", strategy="forward", tolerance="3m"
    )
    rated = record.profile.pack_figures.rated_ah
    low = (pl.col("end_median_v") < limits["low_v"]) & (pl.col("end_a") > limits["flowing_c"] * rated)
    yet, top = flows_yet(record.profile), record.profile.pack_figures.cell_max_v
    if yet is not None and top is not None:  # as where the charger says it within the charge
        low |= (pl.col("end_a") > yet) & (pl.col("end_highest_v") < top - AT_LIMIT_V)
    open_end = pl.col("item").is_in(["unplugged", "still_charging"])
    done, fault = (pl.col("after") == STATES.index(word) for word in ("done", "fault"))
    return joined.with_columns(
        pl.when(open_end & fault)
        .then(pl.lit("charger_fault"))
        .when(open_end & done & low)
        .then(pl.lit("stopped_short"))
        .when(open_end & done)
        .then(pl.lit("complete"))
        .otherwise(pl.col("item"))
        .alias("item")
    )


def _finding(kind: str, early: pl.DataFrame, of: int, limits: Mapping[str, float]) -> Finding:
    what, why = KINDS[kind]
    gap = (early["end_highest_v"] - early["end_median_v"]).median()
    volts = f"; the fullest group stood {1000 * gap:.0f} mV above the median then" if isinstance(gap, float) else ""
    share = early.height / of
    return Finding(
        severity=Severity.SERVICE,
        item=kind.replace("_", " "),
        measured=share,
        limit=limits["share"],
        unit="share of charges that ran to an end",
        se=(share * (1 - share) / of) ** 0.5,
        statement=f"{early.height} of {of} charges were {what}{volts}."
        if kind != "charger_fault"
        else f"{early.height} of {of} charges {what}.",
        confidence=0.95 if at_least(early.height, of) > 0.2 else 0.8,
        persistence=share,
        count=early.height,
        duration_s=float((early["end_t"] - early["start_t"]).dt.total_seconds().sum()),
        windows=windows(early.with_columns(t=pl.col("start_t").cast(pl.Int64).cast(pl.Float64)), "t"),
        signals=("cell_voltage", "pack_current", "charger_state", "charger_current"),
        not_separable=f"Possible: {why}. The findings on cells, or another charger, tell.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def rest(day: float, said: str) -> ExampleSession:
        """A rest that begins at once after the charge of that day."""
        metric = Metric("charger_after", float(STATES.index(said)), "1", None, 20)
        return one_session(day + 1 / 24, "rest", metric)

    def charge(day: float, end: str) -> ExampleSession:
        data = {
            "end_a": 12.0,
            "end_highest_v": 3.64,
            "end_median_v": 3.37 if end in ("group_limit", "unplugged") else 3.6,
        }
        return one_session(
            day, "charge", Metric("charge_end", 0.0, "1", None, 1), Event("charge", 0, 3_590_000_000, end, data)
        )

    def to(day: float, pct: float) -> ExampleSession:
        """A charge that is cut at that reported charge, the groups on their plateau."""
        data = {"end_a": 12.0, "end_highest_v": 3.38, "end_median_v": 3.37}
        metrics = Metric("charge_end", 3.0, "1", None, 1), Metric("pack_soc_highest_pct", pct, "%", 0.5, 1)
        return one_session(day, "charge", *metrics, Event("charge", 0, 3_590_000_000, "unplugged", data))

    def begins(day: float, pct: float) -> ExampleSession:
        """A ride that begins with so much: a charge before it was not recorded."""
        said = Metric("pack_soc_start_pct", pct, "%", 0.5, 1), Metric("pack_soc_end_pct", pct - 9.0, "%", 0.5, 1)
        return one_session(day, "ride", *said)

    def level(day: float) -> ExampleSession:
        """One group ends it 240 mV ahead, which is one per cent of charge."""
        data = {"end_a": 12.0, "end_highest_v": 3.66, "end_median_v": 3.42}
        metrics = [Metric("charge_end", 1.0, "1", None, 1), Metric("cell_offset_rows", 500.0, "1", None, 500)]
        metrics += [
            Metric("cell_offset_top_pct", 1.3 if k == 4 else 0.0, "%", 0.2, 500, item=str(k)) for k in range(1, 6)
        ]
        return one_session(day, "charge", *metrics, Event("charge", 0, 3_590_000_000, "group_limit", data))

    return Cases(
        fires_on=(
            record(*(to(d, 70.0) for d in range(3))),
            record(to(0, 70.0), *(begins(d, 70.0) for d in (2, 4, 5, 7))),  # charges that nobody recorded
            record(to(0, 97.0), to(1, 99.0), *(to(d, 80.0 + 0.5 * (d % 2)) for d in range(2, 6))),
            record(*(charge(d, "group_limit") for d in range(4))),
            record(charge(0, "complete"), charge(1, "charger_fault"), charge(2, "charger_fault")),
            record(*(charge(d, "stopped_short") for d in range(3))),
            record(charge(0, "stopped_short")),  # one is a note
            # begun lately
            record(*(charge(d, "complete") for d in range(9)), *(charge(d, "stopped_short") for d in range(9, 11))),
            record(*(x for d in range(3) for x in (charge(d, "unplugged"), rest(d, "done")))),
        ),
        quiet_on=(
            record(*(level(d) for d in range(3))),
            record(*(charge(d, "complete") for d in range(4))),
            record(*(charge(d, "unplugged") for d in range(4)), charge(5, "complete"), charge(6, "complete")),
            record(*(charge(d, "complete") for d in range(6)), charge(7, "charger_fault")),
        ),
        unassessed_on=(
            record(charge(0, "complete")),
            record(*(charge(d, "unplugged") for d in range(4))),
            record(one_session(0, "charge")),
            record(*(to(d, pct) for d, pct in enumerate((78.0, 83.0, 80.0, 81.5)))),  # a hand that pulls the plug
        ),
    )


RULE = Rule(
    id="charge_ends_early",
    title="Charging ends before the pack is full",
    subsystem="charging",
    severity=Severity.SERVICE,
    when=(
        (
            Severity.SERVICE,
            "`share` of the charges that ran to an end were ended early by a group or the charger; or the newest by "
            "the charger, and surely short of what the fleet's packs take",
        ),
        (
            Severity.NOTE,
            "charges end at one reported charge, or the charger calls the newest one done before it is full: both may "
            "be a limit set on purpose",
        ),
    ),
    needs=("charge_end",),
    roles=("pack_current", "cell_voltage", "charger_state", "pack_soc"),
    must=("pack_current", "cell_voltage"),
    limits=LIMITS,
    judge=judge,
    meaning="The pack is taken off its charge too soon. Range is lost, and a pack that never gets full is never "
    "balanced, so that it gets worse.",
    causes=(
        Cause(
            "a group ahead of its siblings",
            unless(
                any_of(also_found("out_of_balance"), less_likely_if(a_group_was_first(), also_found("weak_group"))),
                no_group_was_full(),
            ),
        ),
        Cause("a group of high resistance", unless(also_found("weak_group"), no_group_was_full())),
        Cause(
            "a faulty charger or a poor mains supply",
            any_of(reads_in("charger_state", "fault", rules_out=False), no_group_was_full()),
        ),
    ),
    bench=(
        "charge with another charger of the same kind and watch which group is first at its limit",
        "leave the pack on the charger for a night and see whether the gap closes",
    ),
    cautions=("Use the maker's charger only. Charge in sight, away from exits.",),
    source="definitions of the ends: metric set `charge`; limits: see each",
    cases=_cases,
    version=8,
)
