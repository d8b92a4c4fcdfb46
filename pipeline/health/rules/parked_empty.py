"""A pack left to stand nearly empty: self-discharge and standby then take it below its limit.

Physics: curves of one chemistry differ near empty, so that a voltage which may be that of an empty pack or of a low one
needs the report as a second witness. What is left above the limit is a few per cent near the knee; 1 to 3 % a month and
the electronics' standby current take it in weeks. The time that nobody recorded counts: it is bounded by the two
sessions around it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by, stood_for
from herdbook.pipeline.health.pack.charge_ceiling import RISE_PCT
from herdbook.pipeline.health.reading import lately, metric_rows, only
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, Window, of_chemistry
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.times import DAY, column_micros
from herdbook.pipeline.vehicle.record import Metric

LIMITS = (
    of_chemistry("low_v", "low_v", "V, lowest group at the end"),
    Limit("curve", 0.05, "V", "curves of cells of one chemistry differ by so much near empty: engineering choice"),
    Limit("own_loss", 3.0, "% of charge a month", "common practice: cells with their electronics lose 1 to 3 %"),
    Limit("standby", 0.005, "A", "common practice: usual monitors take 0.1 to 5 mA"),
    Limit(
        "most_reported",
        20.0,
        "% of charge",
        "engineering choice: with more reported a voltage that may be a low one is taken for that, however small the "
        "pack",
    ),
    Limit("look_days", 5.0, "days", "engineering choice"),
    Limit("act_days", 21.0, "days", "from memory: 1 to 3 % a month plus standby empties such a pack in weeks"),
    Limit("days", 180.0, "days", "engineering choice: the newest stretch that is judged together"),
)
MONTH_DAYS = 30.4
# From so much of `act_days` on, an end that may be empty is worth a word (engineering choice, made while simulated
# vehicles that stood just `act_days` were judged).
NEARLY = 0.9
# A low voltage; and one that may be low, with a report that is (engineering choices).
SURE, SURE_BY_BOTH = 0.9, 0.85
# A pause that so few of a record's own pauses would reach is none of them (engineering choice, made after sound
# vehicles of a draw of makers had been told).
BY_CHANCE = 0.01


@dataclass(frozen=True, slots=True)
class _Stood:
    """days between two sessions, volts of the lowest group before; reported: % of charge then, where it is told and
    needed; rose: whether the report stood higher as the next session began, and that is not itself a charge."""

    days: float
    volts: float
    since: datetime
    until: datetime
    reported: float | None = None
    rose: bool = False


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if unread(record):
        return NotAssessed("a measuring wire without contact: the lowest group is not known")
    ends = metric_rows(record, "end_lowest_v").sort("start_t")
    if not ends.height or record.sessions.height < 2:
        return NotAssessed(
            "the lowest group at the end of a session is not known, or no session followed that says how long it stood"
        )
    late = lately(record, ends, limits["days"])
    rows, near, charged = [], [], []
    reported = _gone(record, limits)
    for stood in _pauses(record, only(late, late["value"].to_numpy() < limits["low_v"] + limits["curve"])):
        long = stood.days > NEARLY * limits["act_days"]
        if not long and _charged_meanwhile(record, stood):
            if stood.days > limits["look_days"] and stood.volts < limits["low_v"]:
                charged.append(stood)
            continue
        if stood.days > limits["look_days"] and stood.volts < limits["low_v"]:
            rows.append(replace(stood, reported=None))
        elif long and (stood.reported is None or stood.reported >= reported):
            near.append(stood)
        elif long:
            rows.append(stood)
    if rows:
        return [_finding(sorted(rows, key=lambda r: -r.days), ends.height, limits)]
    if near:
        most = max(near, key=lambda stood: stood.days)
        return NotAssessed(
            f"nothing was logged for {most.days:.0f} days from {most.since:%Y-%m-%d} on, after the lowest group had "
            f"ended at {most.volts:.2f} V: curves of cells differ, so that this may be empty or only low; a look at "
            "the pack tells"
        )
    if charged:
        most = max(charged, key=lambda stood: stood.days)
        return NotAssessed(
            f"the lowest group ended at {most.volts:.2f} V on {most.since:%Y-%m-%d}, and the next session, "
            f"{most.days:.0f} days later, began with more charge: nobody recorded on which of these days it was "
            "charged; log its charges"
        )
    return []


def _gone(record: Record, limits: Mapping[str, float]) -> float:
    """What self-discharge and standby take from this pack in `act_days`, in % of its charge: with no more than that
    reported it was as good as empty."""
    days, rated = limits["act_days"], record.profile.pack_figures.rated_ah
    gone = limits["own_loss"] * days / MONTH_DAYS + 100.0 * limits["standby"] * 24.0 * days / rated
    return min(gone, limits["most_reported"])


def _pauses(record: Record, ends: pl.DataFrame) -> list[_Stood]:
    """What followed each of these ends: how long nothing was logged, and what was reported on either side."""
    end, start = (
        dict(metric_rows(record, f"pack_soc_{side}_pct").select("start_t", "value").iter_rows())
        for side in ("end", "start")
    )
    sessions = record.sessions.sort("start_t")
    out = []
    for row in ends.to_dicts():
        after = sessions.filter(pl.col("start_t") > row["start_t"]).head(1)
        for next_t, kind in after.select("start_t", "kind").iter_rows():
            before, began = end.get(row["start_t"]), start.get(next_t)
            rose = kind != "charge" and before is not None and began is not None and began > before + RISE_PCT
            days = (next_t - row["end_t"]).total_seconds() / 86400
            out.append(_Stood(days, row["value"], row["end_t"], next_t, before, rose))
    return out


def _charged_meanwhile(record: Record, stood: _Stood) -> bool:
    """Whether it was charged before the next session, after a pause that is nothing unusual in this record: then it may
    have been charged on the first day as well as on the last."""
    t = column_micros(record.sessions["start_t"])
    usual = (float(np.ptp(t)) / DAY - stood.days) / max(t.size - 2, 1)
    return stood.rose and math.exp(-stood.days / max(usual, 1e-9)) > BY_CHANCE


def _finding(rows: list[_Stood], of: int, limits: Mapping[str, float]) -> Finding:
    longest = rows[0]
    days, since = longest.days, longest.since
    by_report = "" if longest.reported is None else f" and {longest.reported:.0f} % reported"
    act = days > limits["act_days"]
    spans = tuple(
        Window(round(a.timestamp() * 1e6), round(b.timestamp() * 1e6)) for a, b in ((r.since, r.until) for r in rows)
    )
    return Finding(
        severity=Severity.SERVICE if act else Severity.NOTE,
        item="",
        measured=days,
        limit=limits["act_days"] if act else limits["look_days"],
        unit="days",
        statement=f"The pack stood {days:.0f} days from {since:%Y-%m-%d} on with its lowest group at "
        f"{longest.volts:.2f} V{by_report}; {counted(len(rows), 'such time')} in the record. "
        "What happened between is not recorded.",
        confidence=SURE if longest.reported is None else SURE_BY_BOTH,
        persistence=len(rows) / of,
        count=len(rows),
        duration_s=sum(r.days for r in rows) * 86400,
        windows=spans[:10],
        signals=("cell_voltage", "pack_soc"),
        not_separable=("A charge that was not recorded cannot be excluded: compare the voltages at the next start."),
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def session(day: float, volts: float, said: float = 40.0, began: float | None = None) -> ExampleSession:
        reported = [Metric("pack_soc_end_pct", said, "%", 0.5, 1)]
        reported += [] if began is None else [Metric("pack_soc_start_pct", began, "%", 0.5, 1)]
        return one_session(day, "ride", Metric("end_lowest_v", volts, "V", 0.005, 100), *reported)

    return Cases(
        fires_on=(
            record(session(0, 2.9), session(30, 2.6)),
            record(session(0, 2.95), session(8, 3.3)),
            record(session(0, 3.03, said=5.0), session(30, 3.02)),  # its voltage and its report
            record(
                session(0, 3.3), session(5, 2.9, said=4.0), session(12, 2.9, began=3.0), session(19, 3.3)
            ),  # stayed so
        ),
        quiet_on=(
            record(session(0, 2.9), session(1, 3.3)),
            record(session(0, 3.25), session(40, 3.24)),
        ),
        unassessed_on=(
            # seldom recorded, and charged since: nobody knows on which day
            record(session(0, 3.3), session(5, 2.9, said=4.0), session(12, 3.3, began=90.0), session(19, 3.3)),
            record(session(0, 2.9)),
            record(one_session(0, "ride")),
            record(session(0, 3.03), session(30, 3.02)),  # empty or low, by what curves differ
        ),
    )


RULE = Rule(
    id="parked_empty",
    title="Left to stand nearly empty",
    subsystem="charging",
    severity=Severity.SERVICE,
    when=(
        (Severity.SERVICE, "it stood empty for longer than `act_days`"),
        (Severity.NOTE, "for less"),
    ),
    needs=("end_lowest_v",),
    roles=("cell_voltage", "pack_current"),
    must=("cell_voltage",),
    limits=LIMITS,
    judge=judge,
    meaning="The pack was recorded nearly empty and then not for days. Standing empty takes cells below their limit "
    "and can ruin them.",
    causes=(
        Cause(
            "not charged after the ride",
            stood_for(30.0, longer=False, what="from its end to the next session it stood"),
        ),
        Cause(
            "stored for the season without a charge",
            stood_for(30.0, longer=True, what="from its end to the next session it stood"),
        ),
        Cause("a dock or charger without power", only_by("the log of the dock or charger")),
    ),
    bench=("measure every group before charging; a group under 2 V needs an assessment first",),
    cautions=("A group that rested below 2 V can short inside when charged: a qualified person must judge it.",),
    source="limits: see each",
    version=5,
    cases=_cases,
)
