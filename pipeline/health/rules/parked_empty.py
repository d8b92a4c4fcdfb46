"""A pack left to stand nearly empty: self-discharge and standby then take it below its limit.

Physics: curves of one chemistry differ near empty: a voltage within that of empty needs the report as a second witness.
What is left above the limit is a few per cent near the knee; 1 to 3 % a month and the electronics' standby
current take it in weeks. The time that nobody recorded counts: it is bounded by the two sessions around it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import only_by, stood_for
from herdbook.pipeline.health.reading import lately, metric_rows, only
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule, Window, of_chemistry
from herdbook.pipeline.health.rules._sense_wire import unread
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import Metric

LIMITS = (
    of_chemistry("low_v", "low_v", "V, lowest group at the end"),
    Limit("curve", 0.05, "V", "curves of cells of one chemistry differ by so much near empty: engineering choice"),
    Limit(
        "reported",
        10.0,
        "% of charge",
        "by calculation: 3 % a month and a standby of 5 mA take so much from 30 Ah in `act_days`; chosen while "
        "simulated vehicles that had stood empty were judged",
    ),
    Limit("look_days", 5.0, "days", "engineering choice"),
    Limit("act_days", 21.0, "days", "from memory: 1 to 3 % a month plus standby empties such a pack in weeks"),
    Limit("days", 180.0, "days", "engineering choice: the newest stretch that is judged together"),
)
# From so much of `act_days` on, an end that may be empty is worth a word (engineering choice, made while simulated
# vehicles that stood just `act_days` were judged).
NEARLY = 0.9
# A low voltage; and one that may be low, with a report that is (engineering choices).
SURE, SURE_BY_BOTH = 0.9, 0.85


@dataclass(frozen=True, slots=True)
class _Stood:
    """days between two sessions, volts of the lowest group before; reported: % of charge, where the voltage alone does
    not tell that it was empty."""

    days: float
    volts: float
    since: datetime
    until: datetime
    reported: float | None = None


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if unread(record):
        return NotAssessed("a measuring wire without contact: the lowest group is not known")
    ends = metric_rows(record, "end_lowest_v").sort("start_t")
    if not ends.height or record.sessions.height < 2:
        return NotAssessed(
            "the lowest group at the end of a session is not known, or no session followed that says how long it stood"
        )
    late = lately(record, ends, limits["days"])
    said = dict(metric_rows(record, "pack_soc_end_pct").select("start_t", "value").iter_rows())
    starts = record.sessions["start_t"].sort()
    rows, near = [], []
    for row in only(late, late["value"].to_numpy() < limits["low_v"] + limits["curve"]).to_dicts():
        later = starts.slice(int(starts.search_sorted(row["start_t"], side="right")), 1).to_list()
        stood = (later[0] - row["end_t"]).total_seconds() / 86400 if later else 0.0
        if stood > limits["look_days"] and row["value"] < limits["low_v"]:
            rows.append(_Stood(stood, row["value"], row["end_t"], later[0]))
        elif stood > NEARLY * limits["act_days"] and said.get(row["start_t"], 100.0) < limits["reported"]:
            rows.append(_Stood(stood, row["value"], row["end_t"], later[0], said[row["start_t"]]))
        elif stood > NEARLY * limits["act_days"]:
            near.append((stood, row["value"], row["end_t"]))
    if rows:
        return [_finding(sorted(rows, key=lambda r: -r.days), ends.height, limits)]
    if near:
        stood, volts, since = max(near)
        return NotAssessed(
            f"nothing was logged for {stood:.0f} days from {since:%Y-%m-%d} on, after the lowest group had ended at "
            f"{volts:.2f} V: curves of cells differ, so that this may be empty or only low; a look at the pack tells"
        )
    return []


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

    def session(day: float, volts: float, said: float = 40.0) -> ExampleSession:
        reported = Metric("pack_soc_end_pct", said, "%", 0.5, 1)
        return one_session(day, "ride", Metric("end_lowest_v", volts, "V", 0.005, 100), reported)

    return Cases(
        fires_on=(
            record(session(0, 2.9), session(30, 2.6)),
            record(session(0, 2.95), session(8, 3.3)),
            record(session(0, 3.03, said=5.0), session(30, 3.02)),  # its voltage and its report
        ),
        quiet_on=(record(session(0, 2.9), session(1, 3.3)), record(session(0, 3.25), session(40, 3.24))),
        unassessed_on=(
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
    version=3,
    cases=_cases,
)
