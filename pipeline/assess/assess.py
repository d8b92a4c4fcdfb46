"""Assess vehicles: sessions and metrics where something is new, then the rules over the whole record.

work = plan(store, vehicles_touched(store))      one short look into the catalogue
done = [assess(store, w) for w in work]          pure, picklable, anywhere
commit_assessed(store, done)                     one short transaction
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Bools, Times
from herdbook.pipeline.assess.measured_by import measured_by
from herdbook.pipeline.assess.packs import measure_packs
from herdbook.pipeline.assess.plan import LogSpans, VehiclePlan, plan
from herdbook.pipeline.assess.rows import METRIC_ORDER, MeasuredRows, MeasuredTables, VerdictRows, verdict_rows
from herdbook.pipeline.assess.sessions import Stretch, sessions, stretches
from herdbook.pipeline.assess.versions import accepted, rule_set_version
from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.reading import leave_out, only
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.lake.cadence import Cadence
from herdbook.pipeline.lake.packs import signals_of_packs, together
from herdbook.pipeline.metrics import measure
from herdbook.pipeline.metrics.clock import OF_CLOCKS, LogClock, clock_rows
from herdbook.pipeline.metrics.messages import message_rows
from herdbook.pipeline.own.load import Own, own_of
from herdbook.pipeline.row_order import in_order
from herdbook.pipeline.settings import Settings
from herdbook.pipeline.spans import SpanIndex, without
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import column_micros
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.profile_means import judges_by, measures_by


@dataclass(frozen=True)
class Assessed:
    """What became of a vehicle. gone: stretches whose rows are to be removed; stretches: (start, end, fingerprint) of
    the new ones; measured_by: by what, "" where that is not sure; measured: their rows. Times are microseconds UTC."""

    vehicle: str
    ticket: int
    profile: str
    profile_means: str
    rule_set: str
    measured_by: str
    gone: tuple[tuple[int, int], ...]
    stretches: tuple[tuple[int, int, str], ...]
    measured: MeasuredTables
    verdict: VerdictRows


def assess(store: Store, known: VehiclePlan | str) -> Assessed:
    """One vehicle by what plan() says of it, or by name: redo what changed, keep the rest, judge the whole.

    Raises: StoreError for a missing or damaged part; ProfileError when a profile is gone.
    """
    if isinstance(known, str):
        known = plan(store, [known])[0]
    settings, profiles = store.settings, {p.name: p for p in store.profiles()}
    own, frozen = own_of(store), _frozen(known)
    rest = SpanIndex(frozen)
    live = [s for log in known.logs if log.ref.part for span in log.spans for s in without(span, rest.touched_by(span))]
    wanted = stretches(live, int(settings.join_s * 1e6))
    inside = _inside(wanted, known.logs)
    used = {x.ref.profile for x in known.logs}
    meaning = {name: measures_by(profile) for name, profile in profiles.items() if name in used}
    fingerprints = {
        key: fingerprints_of(logs, settings, profiles, meaning, own.measuring) for key, logs in inside.items()
    }
    fresh = [s for s in wanted if known.stretches.get((s.start, s.end)) not in fingerprints[s.start, s.end]]
    kept = {(s.start, s.end) for s in wanted} - {(s.start, s.end) for s in fresh}
    gone = tuple(sorted(set(known.stretches) - kept - set(frozen)))
    rows = MeasuredRows(known.vehicle)
    for stretch in fresh:
        _measure_stretch(store, inside[stretch.start, stretch.end], stretch, profiles, rows, own)
    new = rows.frames()
    verdict, profile, means = VerdictRows(), "", ""
    rule_set = rule_set_version(own.judging)
    if known.logs:
        profile = known.logs[-1].ref.profile
        means = judges_by(_profile(profiles, profile, store), meaning.get(profile, ""))
        record = record_of(known, gone, new, _profile(profiles, profile, store))
        verdict = verdict_rows(judge(record, own.judging_rules().values()), record, rule_set)
    return Assessed(
        vehicle=known.vehicle,
        ticket=known.ticket,
        profile=profile,
        profile_means=means,
        rule_set=rule_set,
        measured_by=known.measured_by if known.measured_by == measured_by(store) else "",  # else it changed meanwhile
        gone=gone,
        stretches=tuple((s.start, s.end, fingerprints[s.start, s.end][0]) for s in fresh),
        measured=new,
        verdict=verdict,
    )


def _frozen(known: VehiclePlan) -> list[tuple[int, int]]:
    """Stretches whose rows have expired from the lake: what was found in them stays as it is."""
    touching = SpanIndex(known.stretches)
    return sorted({k for x in known.logs if not x.ref.part for span in x.spans for k in touching.touched_by(span)})


def _inside(wanted: Sequence[Stretch], logs: Sequence[LogSpans]) -> dict[tuple[int, int], list[LogSpans]]:
    """Logs still in the lake by the stretch they touch, in their order."""
    touching = SpanIndex((s.start, s.end) for s in wanted)
    inside: dict[tuple[int, int], list[LogSpans]] = {(s.start, s.end): [] for s in wanted}
    for log in (x for x in logs if x.ref.part):
        for key in {k for span in log.spans for k in touching.touched_by(span)}:
            inside[key].append(log)
    return inside


def fingerprints_of(
    logs: Sequence[LogSpans],
    settings: Settings,
    profiles: Mapping[str, Profile],
    means: Mapping[str, str],
    own: str = "",
) -> list[str]:
    """Of a stretch, by the logs that touch it. One of these in the catalogue means that its sessions and metrics are as
    they would be made today; the first is today's name. profiles: by name, as they are now;
    means: measures_by() of those in use. own: digest of the store's own metric sets.

    A profile is told by what it means. Stores from before that name its text, as it was when a log was taken: as good
    where it is the same today.
    """
    cut = f"{settings.join_s} {settings.stop_s} {settings.span_gap_s}"
    last = profiles.get(logs[-1].ref.profile) if logs else None
    ways_accepted = accepted(last.pack_figures if last else None, own)
    ways = [dict(means)]
    if all(x.ref.profile in profiles and profiles[x.ref.profile].hash == x.profile_hash for x in logs):
        ways.append({name: profile.hash for name, profile in profiles.items()})
    found = []
    for told in ways:
        inside = [
            f"{x.ref.log} {x.ref.profile} {told.get(x.ref.profile, x.profile_hash)} {x.shift} {x.bench} {x.ref.doubts}"
            for x in logs
        ]
        words = ["\n".join([f"{how} {cut}", *sorted(inside)]) for how in ways_accepted]
        found += [hashlib.sha256(word.encode()).hexdigest() for word in words]
    return found


def _touches(log: LogSpans, stretch: Stretch) -> bool:
    return any(a < stretch.end and b >= stretch.start for a, b in log.spans)


def _profile(profiles: dict[str, Profile], name: str, store: Store) -> Profile:
    if name not in profiles:
        what = f"profile {name!r} is not among the profiles"
        raise ProfileError(what, store.folder, "Put it back where herdbook.toml says profiles are")
    return profiles[name]


def _measure_stretch(
    store: Store,
    inside: Sequence[LogSpans],
    stretch: Stretch,
    profiles: dict[str, Profile],
    rows: MeasuredRows,
    own: Own,
) -> None:
    refs = [x.ref for x in inside]
    settings = store.settings
    spans = [s for x in inside for s in x.spans]
    messages, span = Cadence(profiles.values()), (stretch.start, stretch.end)
    packs = signals_of_packs(store.lake, refs, profiles.values(), rows.vehicle, *span, watch=messages)
    signals = together(packs)
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
    rows.add_messages(messages.rows(), stretch.start)
    for one in found:
        s = one.session
        logs = tuple(sorted(x.ref.log for x in inside if _touches(x, Stretch(s.start, s.end))))
        if len(packs) > 1:
            outcome = measure_packs(s, packs, signals, profile, own.sets)
        else:
            outcome = measure(s, signals.between(s.start, s.end), profile, own.sets)
        rows.add(one, outcome, logs)


def _clock(x: LogSpans) -> LogClock:
    return x.ref.start, x.ref.end, sum(b - a for a, b in x.ref.doubts) / 1e6, x.own_clock


def _outside(t: Times, gone: tuple[tuple[int, int], ...]) -> Bools:
    """Which times lie in none of the stretches [start, end)."""
    if not gone:
        return np.ones(t.size, bool)
    starts, ends = np.array(sorted(gone)).T
    before = np.searchsorted(starts, t, side="right")  # stretches that have begun; t is inside if one has not ended
    outside: Bools = (before == 0) | (t >= np.maximum.accumulate(ends)[before - 1])
    return outside


def record_of(known: VehiclePlan, gone: tuple[tuple[int, int], ...], new: MeasuredTables, profile: Profile) -> Record:
    """Kept and new rows together, in an order that does not depend on what was kept; none from before known.since, and
    none of known.left_out."""

    left_out = known.left_out
    fresh_metrics = leave_out(new.metrics, "name", left_out.metrics)
    fresh_events = leave_out(new.events, "kind", left_out.events)

    def all_of(old: pl.DataFrame, fresh: pl.DataFrame, key: str, order: list[str]) -> pl.DataFrame:
        judged = only(fresh, column_micros(fresh[key]) >= known.since)[old.columns]
        kept = only(old, _outside(column_micros(old[key]), gone))
        rows = pl.concat([kept, judged]) if kept.height else judged
        sorted_by_now = fresh is fresh_metrics and not kept.height  # as they were made
        return rows if sorted_by_now else in_order(rows, order)

    messages = all_of(known.messages, new.messages, "stretch_t", ["start_t", "message"])
    of_logs = [leave_out(message_rows(messages), "name", left_out.metrics)]
    if not left_out.metrics >= OF_CLOCKS:
        of_logs.append(clock_rows(_clock(x) for x in known.logs if x.ref.start >= known.since))
    return Record(
        vehicle=known.vehicle,
        profile=profile,
        sessions=all_of(known.sessions, new.sessions, "start_t", ["start_t"]),
        metrics=in_order(
            pl.concat([all_of(known.metrics, fresh_metrics, "start_t", METRIC_ORDER), *of_logs]),
            ["start_t"],
        ),
        events=all_of(
            known.events, fresh_events, "session_start_t", ["session_start_t", "start_t", "kind", "item", "end_t"]
        ),
        reference=known.reference,
        doubts=known.doubts,
        left_out=left_out,
    )
