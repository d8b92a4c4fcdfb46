"""Assessments of several vehicles put together as the rows that a commit appends.

Made by the worker that assessed them: what is done here once a vehicle costs the process that holds the store nothing
but an append.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from herdbook.pipeline.assess.assess import Assessed
from herdbook.pipeline.assess.rows import FINDING, NOT_ASSESSED, SCORE, FindingRow, table
from herdbook.pipeline.store.record_writing import NewFile
from herdbook.pipeline.vehicle.record import US

SPAN = {"vehicle": pl.String, "a": pl.Int64, "b": pl.Int64}
STRETCH = {"vehicle": pl.String, "start_t": pl.Int64, "end_t": pl.Int64, "fingerprint": pl.String}
JUDGED = {
    **dict.fromkeys(("vehicle", "profile", "profile_means", "rule_set", "measured_by"), pl.String),
    "ticket": pl.Int64,
}


@dataclass(frozen=True)
class AssessedGroup:
    """judged: vehicle, profile, profile_means, rule_set, measured_by, ticket; profile "": no log is the vehicle's any
    more. gone: vehicle, a, b: spans whose stretches give way. rows: new rows by table, in the catalogue's columns; data
    of events is a list of key and value. findings: those of `rows` as records. files: of the record, that hold rows
    in place of `rows`; removal: what gave way leaves files of smaller numbers, 0 where none was written
    (into_files.py)."""

    judged: pl.DataFrame
    gone: pl.DataFrame
    rows: Mapping[str, pl.DataFrame]
    findings: tuple[FindingRow, ...]
    files: tuple[NewFile, ...] = ()
    removal: int = 0


def together(done: Sequence[Assessed]) -> AssessedGroup:
    """One group of at least one assessment."""
    by = [(a.vehicle, a.profile, a.profile_means, a.rule_set, a.measured_by, a.ticket) for a in done]
    spans = [(a.vehicle, s, e) for a in done for s, e in sorted({*a.gone, *((s, e) for s, e, _ in a.stretches)})]
    new = pl.DataFrame([(a.vehicle, *s) for a in done for s in a.stretches], schema=STRETCH, orient="row")
    findings = tuple(f for a in done for f in a.verdict.findings)
    rows = {
        "stretches": new.with_columns(pl.col("start_t", "end_t").cast(US)),
        "sessions": _sessions(done),
        "stretch_messages": _of_all(done, [a.measured.messages for a in done]),
        "metrics": _of_all(done, [a.measured.metrics for a in done]).drop("kind", "end_t"),
        "events": _of_all(done, [a.measured.events for a in done]),
        "findings": table(findings, FINDING),
        "not_assessed": table([r for a in done for r in a.verdict.not_assessed], NOT_ASSESSED),
        "scores": table([s for a in done for s in a.verdict.scores], SCORE),
    }
    gone = pl.DataFrame(spans, schema=SPAN, orient="row").with_columns(pl.col("a", "b").cast(US))
    return AssessedGroup(pl.DataFrame(by, schema=JUDGED, orient="row"), gone, rows, findings)


def _sessions(done: Sequence[Assessed]) -> pl.DataFrame:
    """With the logs and the rule set of each."""
    logs = [list(a.measured.logs[t]) for a in done for t in a.measured.sessions["start_t"].to_physical().to_list()]
    rules = [a.rule_set for a in done for _ in range(a.measured.sessions.height)]
    rows = _of_all(done, [a.measured.sessions for a in done])
    return rows.with_columns(
        pl.Series("logs", logs, dtype=pl.List(pl.String)), pl.Series("rule_set", rules, dtype=pl.String)
    )


def _of_all(done: Sequence[Assessed], frames: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Frames one under the other with their vehicles; UTC times as the catalogue keeps them, without a zone."""
    vehicles = [a.vehicle for a, frame in zip(done, frames, strict=True) for _ in range(frame.height)]
    rows = pl.concat(frames)
    times = [n for n, t in rows.schema.items() if isinstance(t, pl.Datetime)]
    return rows.with_columns(
        pl.Series("vehicle", vehicles, dtype=pl.String), *(pl.col(n).dt.replace_time_zone(None) for n in times)
    )
