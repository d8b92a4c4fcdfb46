"""The battery management system reports a fault of its own, again and again or for long.

What a bit means is the maker's: its name stands in the bus description. One short report is kept as a note.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, bit_borne_out
from herdbook.pipeline.health.reading import event_table, lately, metric_rows, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.fault_codes import NO_NAME
from herdbook.pipeline.vehicle.record import Event, Metric

LIMITS = (
    Limit("least_sessions", 2.0, "sessions", "engineering choice: seen once may be a start-up transient"),
    Limit("long_s", 60.0, "s", "engineering choice: a fault that stands for a minute counts by itself"),
    Limit("days", 30.0, "days", "engineering choice: the newest stretch that is judged together"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if not metric_rows(record, "bms_fault_s").height:
        return NotAssessed("fault bits of the battery management system are not on the bus")
    events = event_table(record, "bms_fault", ("duration_s",))
    events = lately(record, events, limits["days"])
    if not events.height:
        return []
    total = lately(record, record.sessions, limits["days"]).height
    found = []
    for (bit,), part in events.group_by(["item"], maintain_order=True):
        sessions = part["session_start_t"].n_unique()
        if sessions >= limits["least_sessions"] or seconds(part) >= limits["long_s"]:
            named = record.profile.fault_name("bms_fault", "", int(str(bit).removeprefix("bit ")))
            found.append(_finding(named, part, sessions, total, limits))
    return found


def _finding(named: str, part: pl.DataFrame, sessions: int, total: int, limits: Mapping[str, float]) -> Finding:
    """named: bit 3 (over voltage), or code 17 (over voltage)."""
    bit = named.partition(" (")[0]
    what = "a fault whose code has no name" if named == NO_NAME else f"fault {named}"
    last = part["start_t"].to_list()[-1]
    return Finding(
        severity=Severity.SERVICE,
        item=bit,
        measured=float(sessions),
        limit=limits["least_sessions"],
        unit="sessions",
        statement=f"The battery management system reported {what} {counted(part.height, 'time')} in {sessions} "
        f"of {counted(total, 'session')}, {seconds(part):.0f} s in all, last on {last:%Y-%m-%d}.",
        confidence=0.99,
        persistence=sessions / max(total, 1),
        count=part.height,
        duration_s=seconds(part),
        windows=windows(part.with_columns(pl.col("duration_s").fill_null(0.0)), "duration_s"),
        signals=("bms_fault", "bms_state", "cell_voltage", "cell_temp", "pack_current"),
        not_separable=("The bit's name is in the bus description; what set it must be read from the other findings."),
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def session(day: float, *lasting: float) -> ExampleSession:
        events = [
            Event("bms_fault", k * 600_000_000, int((k * 600 + s) * 1e6), "bit 3", {"duration_s": s})
            for k, s in enumerate(lasting)
        ]
        return one_session(day, "ride", Metric("bms_fault_s", sum(lasting), "s", None, 9000), *events)

    return Cases(
        fires_on=(record(session(0, 5.0), session(1, 5.0)), record(session(0, 300.0))),
        quiet_on=(record(session(0), session(1)), record(session(0, 5.0), session(1))),
        unassessed_on=(record(one_session(0, "ride")),),
    )


RULE = Rule(
    id="bms_fault",
    title="The pack's electronics report a fault",
    subsystem="pack",
    severity=Severity.SERVICE,
    needs=("bms_fault_s",),
    roles=("bms_fault",),
    limits=LIMITS,
    judge=judge,
    meaning=("The pack's own electronics have seen something they count as a fault. They see faster than any log."),
    causes=(
        Cause("what the bit's name says", bit_borne_out()),
        Cause(
            "a sensor or wire of the electronics",
            also_found(
                "temp_sensor_fault",
                "open_sense_wire",
                "loose_sense_wire",
                "pack_sum_disagrees",
                "current_sensor_offset",
            ),
        ),
        Cause("a limit in the firmware that is too tight", bit_borne_out(False)),
    ),
    bench=("read the fault memory with the maker's service tool before clearing it", "reproduce it with the same load"),
    cautions=("Clearing a fault does not mend it: one that comes back must be understood.",),
    source="bits as the bus reports them; a bit counts from three frames on",
    cases=_cases,
)
