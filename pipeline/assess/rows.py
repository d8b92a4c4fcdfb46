"""What was measured and judged, as records and frames in the columns of the catalogue's tables."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from operator import attrgetter, itemgetter

import polars as pl
from polars.datatypes import DataType, DataTypeClass

from herdbook.pipeline.assess.sessions import Found
from herdbook.pipeline.health.engine import Judged, Verdict
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.lake.cadence import SCHEMA as MESSAGES
from herdbook.pipeline.metrics.set import Outcome
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, SESSIONS, TIME, US, Schema

METRIC_ORDER = ["start_t", "name", "item"]
_IN_METRIC_ORDER = itemgetter(*(list(METRICS).index(name) for name in METRIC_ORDER))
COUNTS: Schema = {**MESSAGES, "start_t": US, "end_t": US, "vehicle": pl.String, "stretch_t": US}
MICROS = pl.Int64  # times on their way to a frame: microseconds UTC
FINDING: Schema = {
    **dict.fromkeys(("finding", "vehicle", "rule", "title", "subsystem", "severity", "item", "statement"), pl.String),
    **dict.fromkeys(("measured", "limit"), pl.Float64),
    "unit": pl.String,
    **dict.fromkeys(("se", "confidence", "persistence"), pl.Float64),
    "count": pl.Int64,
    "duration_s": pl.Float64,
    **dict.fromkeys(("first_t", "last_t"), US),
    "windows": pl.List(pl.Struct({"start_t": US, "end_t": US})),
    "signals": pl.List(pl.String),
    **dict.fromkeys(("not_separable", "meaning"), pl.String),
    **dict.fromkeys(("causes", "bench", "cautions"), pl.List(pl.String)),
    "share": pl.Float64,
    "rule_set": pl.String,
}
NOT_ASSESSED: Schema = dict.fromkeys(("vehicle", "rule", "subsystem", "reason"), pl.String)
SCORE: Schema = {
    **dict.fromkeys(("vehicle", "subsystem"), pl.String),
    "score": pl.Float64,
    **dict.fromkeys(("rules_judged", "rules_total"), pl.Int64),
    **dict.fromkeys(("reason", "rule_set"), pl.String),
}


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One row of the table findings. Times are microseconds UTC; windows have start_t and end_t."""

    finding: str
    vehicle: str
    rule: str
    title: str
    subsystem: str
    severity: Severity
    item: str
    statement: str
    measured: float
    limit: float
    unit: str
    se: float | None
    confidence: float
    persistence: float
    count: int
    duration_s: float
    first_t: int
    last_t: int
    windows: tuple[Mapping[str, int], ...]
    signals: tuple[str, ...]
    not_separable: str
    meaning: str
    causes: tuple[str, ...]
    bench: tuple[str, ...]
    cautions: tuple[str, ...]
    share: float
    rule_set: str


@dataclass(frozen=True, slots=True)
class NotAssessedRow:
    """One row of the table not_assessed: a rule that could not judge a vehicle, and why."""

    vehicle: str
    rule: str
    subsystem: str
    reason: str


@dataclass(frozen=True, slots=True)
class ScoreRow:
    """One row of the table scores; score None: not assessed, for the reason."""

    vehicle: str
    subsystem: str
    score: float | None
    rules_judged: int
    rules_total: int
    reason: str
    rule_set: str


@dataclass(frozen=True, slots=True)
class VerdictRows:
    """A verdict as the catalogue keeps it. Picklable, unlike rules with their examples."""

    findings: tuple[FindingRow, ...] = ()
    not_assessed: tuple[NotAssessedRow, ...] = ()
    scores: tuple[ScoreRow, ...] = ()


@dataclass(frozen=True)
class MeasuredTables:
    """New rows of a vehicle in the catalogue's columns; logs: by session start (microseconds UTC)."""

    sessions: pl.DataFrame
    metrics: pl.DataFrame
    events: pl.DataFrame
    messages: pl.DataFrame
    logs: Mapping[int, tuple[str, ...]]


@dataclass
class MeasuredRows:
    """Collects what is measured of one vehicle, session by session, and hands it over as frames."""

    vehicle: str
    sessions: list[tuple[object, ...]] = field(default_factory=list)
    metrics: list[tuple[object, ...]] = field(default_factory=list)
    events: list[tuple[object, ...]] = field(default_factory=list)
    messages: list[pl.DataFrame] = field(default_factory=list)
    logs: dict[int, tuple[str, ...]] = field(default_factory=dict)

    def add(self, found: Found, outcome: Outcome, logs: tuple[str, ...]) -> None:
        """A session with its metrics and events, and the logs it was recorded in."""
        s = found.session
        self.logs[s.start] = logs
        self.sessions.append((self.vehicle, s.kind, s.start, s.end, found.coverage))
        self.metrics += [
            (s.kind, s.start, s.end, m.name, m.item, m.value, m.unit, m.se, m.n, m.coverage) for m in outcome.metrics
        ]
        self.events += [
            (s.start, e.kind, e.item, e.start, e.end, [{"key": k, "value": float(v)} for k, v in e.data.items()])
            for e in outcome.events
        ]

    def add_messages(self, counts: pl.DataFrame, stretch_t: int) -> None:
        """Counts of frames by message (lake/cadence.py) in the stretch that begins at stretch_t, microseconds UTC."""
        vehicle = pl.Series("vehicle", [self.vehicle] * counts.height, pl.String)
        stretch = pl.Series("stretch_t", [stretch_t] * counts.height, MICROS).cast(US)
        self.messages.append(counts.hstack([vehicle, stretch]))

    def frames(self) -> MeasuredTables:
        messages = pl.concat(self.messages) if self.messages else pl.DataFrame(schema=COUNTS)
        return MeasuredTables(
            _frame(self.sessions, SESSIONS),
            _frame(sorted(self.metrics, key=_IN_METRIC_ORDER), METRICS),  # sorted again by whoever reads them
            _frame(self.events, EVENTS),
            messages,
            self.logs,
        )


def _frame(rows: Sequence[Sequence[object]], schema: Schema) -> pl.DataFrame:
    """Rows in the order of the schema's columns as a frame; times come as microseconds UTC. Column by column: a frame
    of rows, cast afterwards, takes twice as long, and every vehicle has four of them."""
    values = zip(*rows, strict=True) if rows else [()] * len(schema)
    return pl.DataFrame(
        [_column(name, kind, list(of)) for (name, kind), of in zip(schema.items(), values, strict=True)]
    )


def _column(name: str, kind: DataType | DataTypeClass, values: list[object]) -> pl.Series:
    given = _with_micros(kind)
    column = pl.Series(name, values, dtype=given)
    return column if given is kind else column.cast(kind)


@cache
def _with_micros(kind: DataType | DataTypeClass) -> DataType | DataTypeClass:
    """The same type with whole numbers in place of times."""
    if kind in (TIME, US):
        return MICROS
    if isinstance(kind, pl.List):
        return pl.List(_with_micros(kind.inner))
    if isinstance(kind, pl.Struct):
        return pl.Struct({f.name: _with_micros(f.dtype) for f in kind.fields})
    return kind


def table(records: Sequence[object], schema: Schema) -> pl.DataFrame:
    """Typed records, whose fields have the names of the schema's columns, as a frame."""
    taken = attrgetter(*schema)
    return _frame([[_plain(value) for value in taken(record)] for record in records], schema)


def _plain(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def finding_id(vehicle: str, rule: str, item: str) -> str:
    """What makes a finding the same one tomorrow."""
    return hashlib.sha256("\0".join((vehicle, rule, item)).encode()).hexdigest()[:32]


def verdict_rows(verdict: Verdict, record: Record, rule_set: str) -> VerdictRows:
    """What the engine said of a vehicle, as rows of findings, not_assessed and scores."""
    vehicle = record.vehicle
    return VerdictRows(
        findings=tuple(_finding(j, record, rule_set) for j in verdict.findings),
        not_assessed=tuple(
            NotAssessedRow(vehicle, r.rule.id, r.rule.subsystem, r.reason) for r in verdict.not_assessed
        ),
        scores=tuple(
            ScoreRow(
                vehicle=vehicle,
                subsystem=name,
                score=s.score,
                rules_judged=s.judged,
                rules_total=s.total,
                reason=s.reason,
                rule_set=rule_set,
            )
            for name, s in verdict.scores.items()
        ),
    )


def _finding(judged: Judged, record: Record, rule_set: str) -> FindingRow:
    f, rule = judged.finding, judged.rule
    first, last = _times(judged, record)
    return FindingRow(
        finding=finding_id(record.vehicle, rule.id, f.item),
        vehicle=record.vehicle,
        rule=rule.id,
        title=rule.title,
        subsystem=rule.subsystem,
        severity=f.severity,
        item=f.item,
        statement=f.statement,
        measured=f.measured,
        limit=f.limit,
        unit=f.unit,
        se=f.se,
        confidence=f.confidence,
        persistence=f.persistence,
        count=f.count,
        duration_s=f.duration_s,
        first_t=first,
        last_t=last,
        windows=tuple({"start_t": w.start, "end_t": w.end} for w in f.windows),
        signals=f.signals,
        not_separable=f.not_separable,
        meaning=rule.meaning,
        causes=rule.causes,
        bench=rule.bench,
        cautions=rule.cautions,
        share=judged.share,
        rule_set=rule_set,
    )


def _times(judged: Judged, record: Record) -> tuple[int, int]:
    """First and last time of the evidence; of the whole record for a finding without windows."""
    windows = judged.finding.windows
    if windows:
        return min(w.start for w in windows), max(w.end for w in windows)
    first, last = record.sessions["start_t"].to_physical().min(), record.sessions["end_t"].to_physical().max()
    return int(str(first or 0)), int(str(last or 0))
