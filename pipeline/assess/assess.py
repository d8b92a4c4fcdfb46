"""Assess vehicles: sessions and metrics where something is new, then the rules over the whole record.

work = plan(store, vehicles_touched(store))      one short look into the catalogue
done = [assess(store, w) for w in work]          pure, picklable, anywhere
commit_assessed(store, done)                     one short transaction
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Bools, Times
from herdbook.pipeline.assess.plan import LogSpans, Work, plan, vehicles_touched
from herdbook.pipeline.assess.rows import VerdictRows, verdict_rows
from herdbook.pipeline.assess.sessions import Found, Stretch, sessions, stretches
from herdbook.pipeline.assess.versions import accepted, rule_set_version
from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.reading import only
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.lake.cadence import SCHEMA, Cadence
from herdbook.pipeline.lake.read import read_signals
from herdbook.pipeline.metrics import measure
from herdbook.pipeline.metrics.clock import LogClock, clock_rows
from herdbook.pipeline.metrics.messages import message_rows
from herdbook.pipeline.metrics.set import Outcome
from herdbook.pipeline.settings import Settings
from herdbook.pipeline.spans import SpanIndex, without
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import column_micros
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, SESSIONS

IN_ORDER = ["start_t", "name", "item"]  # of metrics
__all__ = ["Assessed", "Work", "assess", "plan", "vehicles_touched"]


@dataclass(frozen=True)
class Assessed:
    """What became of a vehicle. gone: stretches whose sessions are to be removed; sessions, metrics, events, messages:
    new rows in the catalogue's columns; stretches: (start, end, fingerprint) of the new ones."""

    vehicle: str
    ticket: int
    profile: str
    rule_set: str
    gone: tuple[tuple[int, int], ...]
    stretches: tuple[tuple[int, int, str], ...]
    sessions: pl.DataFrame
    metrics: pl.DataFrame
    events: pl.DataFrame
    messages: pl.DataFrame
    verdict: VerdictRows
    logs: dict[int, tuple[str, ...]] = field(default_factory=dict)  # logs by session start


def assess(store: Store, work: Work | str) -> Assessed:
    """One vehicle (or what plan() said about it): redo what changed, keep the rest, judge the whole.

    Raises: StoreError for a missing or damaged part; ProfileError when a profile is gone.
    """
    if isinstance(work, str):
        work = plan(store, [work])[0]
    settings, profiles = store.settings, {p.name: p for p in store.profiles()}
    frozen = _frozen(work)
    rest = SpanIndex(frozen)
    live = [s for log in work.logs if log.ref.part for span in log.spans for s in without(span, rest.touched_by(span))]
    wanted = stretches(live, int(settings.join_s * 1e6))
    inside = _inside(wanted, work.logs)
    chemistry = {name: str(p.pack.get("chemistry", "")) for name, p in profiles.items()}
    fingerprints = {key: fingerprints_of(logs, settings, chemistry) for key, logs in inside.items()}
    fresh = [s for s in wanted if work.known.get((s.start, s.end)) not in fingerprints[s.start, s.end]]
    kept = {(s.start, s.end) for s in wanted} - {(s.start, s.end) for s in fresh}
    gone = tuple(sorted(set(work.known) - kept - set(frozen)))
    rows = _Rows(work.vehicle)
    for stretch in fresh:
        _measure_stretch(store, inside[stretch.start, stretch.end], stretch, profiles, rows)
    new = rows.frames()
    verdict, profile = VerdictRows(), ""
    if work.logs:
        profile = work.logs[-1].ref.profile
        record = _record(work, gone, new, _profile(profiles, profile, store))
        verdict = verdict_rows(judge(record), record)
    return Assessed(
        work.vehicle,
        work.ticket,
        profile,
        rule_set_version(),
        gone,
        tuple((s.start, s.end, fingerprints[s.start, s.end][0]) for s in fresh),
        *new,
        verdict,
        rows.logs,
    )


def _frozen(work: Work) -> list[tuple[int, int]]:
    """Stretches whose rows have expired from the lake: what was found in them stays as it is."""
    known = SpanIndex(work.known)
    return sorted({k for x in work.logs if not x.ref.part for span in x.spans for k in known.touched_by(span)})


def _inside(wanted: Sequence[Stretch], logs: Sequence[LogSpans]) -> dict[tuple[int, int], list[LogSpans]]:
    """Logs still in the lake by the stretch they touch, in their order."""
    stretches_by_time = SpanIndex((s.start, s.end) for s in wanted)
    inside: dict[tuple[int, int], list[LogSpans]] = {(s.start, s.end): [] for s in wanted}
    for log in (x for x in logs if x.ref.part):
        for key in {k for span in log.spans for k in stretches_by_time.touched_by(span)}:
            inside[key].append(log)
    return inside


def fingerprints_of(logs: Sequence[LogSpans], settings: Settings, chemistry: Mapping[str, str]) -> list[str]:
    """Of a stretch, by the logs that touch it. One of these in the catalogue means that its sessions and metrics are as
    they would be made today; the first is today's name. chemistry: by profile."""
    inside = [f"{x.ref.log} {x.ref.profile} {x.profile_hash} {x.shift} {x.bench} {x.ref.doubts}" for x in logs]
    cut = f"{settings.join_s} {settings.stop_s} {settings.span_gap_s}"
    measured_by = accepted(chemistry.get(logs[-1].ref.profile, "") if logs else "")
    return [hashlib.sha256("\n".join([f"{how} {cut}", *sorted(inside)]).encode()).hexdigest() for how in measured_by]


def _touches(log: LogSpans, stretch: Stretch) -> bool:
    return any(a < stretch.end and b >= stretch.start for a, b in log.spans)


def _profile(profiles: dict[str, Profile], name: str, store: Store) -> Profile:
    if name not in profiles:
        what = f"profile {name!r} is not among the profiles"
        raise ProfileError(what, store.folder, "Put it back where herdbook.toml says profiles are")
    return profiles[name]


def _measure_stretch(
    store: Store, inside: Sequence[LogSpans], stretch: Stretch, profiles: dict[str, Profile], rows: _Rows
) -> None:
    refs = [x.ref for x in inside]
    settings = store.settings
    spans = [s for x in inside for s in x.spans]
    messages, span = Cadence(profiles.values()), (stretch.start, stretch.end)
    signals = read_signals(store.lake, refs, profiles.values(), rows.vehicle, *span, watch=messages)
    found = sessions(
        vehicle=rows.vehicle,
        stretch=stretch,
        signals=signals,
        spans=spans,
        bench=any(x.bench for x in inside),
        stop_s=settings.stop_s,
        span_gap_us=int(settings.span_gap_s * 1e6),
    )
    profile = _profile(profiles, refs[-1].profile, store)
    rows.messages.append(
        messages.rows().with_columns(
            vehicle=pl.lit(rows.vehicle), stretch_t=pl.lit(stretch.start).cast(pl.Datetime("us"))
        )
    )
    for one in found:
        s = one.session
        logs = tuple(sorted(x.ref.log for x in inside if _touches(x, Stretch(s.start, s.end))))
        rows.add(one, measure(s, signals.between(s.start, s.end), profile), logs)


def _clock(x: LogSpans) -> LogClock:
    return x.ref.start, x.ref.end, sum(b - a for a, b in x.ref.doubts) / 1e6, x.own_clock


class _Rows:
    """New rows on their way to the catalogue."""

    def __init__(self, vehicle: str) -> None:
        self.vehicle = vehicle
        self.sessions: list[dict[str, Any]] = []
        self.metrics: list[dict[str, Any]] = []
        self.events: list[dict[str, Any]] = []
        self.messages: list[pl.DataFrame] = []
        self.logs: dict[int, tuple[str, ...]] = {}

    def add(self, found: Found, outcome: Outcome, logs: tuple[str, ...]) -> None:
        s = found.session
        base = {"kind": s.kind, "start_t": s.start, "end_t": s.end}
        self.logs[s.start] = logs
        self.sessions.append({"vehicle": self.vehicle, **base, "coverage": found.coverage})
        self.metrics += [
            {
                **base,
                "name": m.name,
                "item": m.item,
                "value": m.value,
                "unit": m.unit,
                "se": m.se,
                "n": m.n,
                "coverage": m.coverage,
            }
            for m in outcome.metrics
        ]
        self.events += [
            {
                "session_start_t": s.start,
                "kind": e.kind,
                "item": e.item,
                "start_t": e.start,
                "end_t": e.end,
                "data": [{"key": k, "value": float(v)} for k, v in e.data.items()],
            }
            for e in outcome.events
        ]

    def frames(self) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        """Sessions, metrics, events and messages."""
        us = pl.Datetime("us")
        none = pl.DataFrame(schema=SCHEMA | {"start_t": us, "end_t": us, "vehicle": pl.String, "stretch_t": us})
        return (
            _typed(self.sessions, SESSIONS),
            _typed(self.metrics, METRICS).sort(IN_ORDER, maintain_order=True),  # sorted again by whoever reads them
            _typed(self.events, EVENTS),
            pl.concat([none, *self.messages]),
        )


def _typed(rows: list[dict[str, Any]], schema: Any) -> pl.DataFrame:
    times = {n for n, t in schema.items() if isinstance(t, pl.Datetime)}
    raw = {n: pl.Int64 if n in times else t for n, t in schema.items()}
    return pl.DataFrame(rows, schema=raw, orient="row").with_columns(pl.col(n).cast(schema[n]) for n in times)


def _outside(t: Times, gone: tuple[tuple[int, int], ...]) -> Bools:
    """Which times lie in none of the stretches [start, end)."""
    if not gone:
        return np.ones(t.size, bool)
    starts, ends = np.array(sorted(gone)).T
    before = np.searchsorted(starts, t, side="right")  # stretches that have begun; t is inside if one has not ended
    outside: Bools = (before == 0) | (t >= np.maximum.accumulate(ends)[before - 1])
    return outside


def _record(work: Work, gone: tuple[tuple[int, int], ...], new: tuple[pl.DataFrame, ...], profile: Profile) -> Record:
    """Kept and new rows together, in an order that does not depend on what was kept; none from before work.since."""

    def all_of(old: pl.DataFrame, fresh: pl.DataFrame, key: str, order: list[str]) -> pl.DataFrame:
        judged = only(fresh, column_micros(fresh[key]) >= work.since).select(old.columns)
        return pl.concat([only(old, _outside(column_micros(old[key]), gone)), judged]).sort(order, maintain_order=True)

    messages = all_of(work.messages, new[3], "stretch_t", ["start_t", "message"])
    clocks = clock_rows(_clock(x) for x in work.logs if x.ref.start >= work.since)
    return Record(
        vehicle=work.vehicle,
        profile=profile,
        sessions=all_of(work.sessions, new[0], "start_t", ["start_t"]),
        metrics=pl.concat([all_of(work.metrics, new[1], "start_t", IN_ORDER), message_rows(messages), clocks]).sort(
            "start_t", maintain_order=True
        ),
        events=all_of(work.events, new[2], "session_start_t", ["session_start_t", "start_t", "kind", "item", "end_t"]),
        reference=work.reference,
    )
