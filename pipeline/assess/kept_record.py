"""What rules would look at, from what is stored: nothing is read from the lake, and nothing is written.

Figures are as they were last measured; what a limit or a figure of the profile changes in measuring itself is not in
them. That takes the logs: `herdbook backfill`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from herdbook.pipeline.assess.assess import record_of
from herdbook.pipeline.assess.plan import VehiclePlan, planned
from herdbook.pipeline.assess.rows import MeasuredRows
from herdbook.pipeline.health.reading import only
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import column_micros
from herdbook.pipeline.vehicle.profile import Profile

AT_ONCE = 64  # vehicles read in one visit to the catalogue


def kept_records(store: Store, vehicles: Sequence[str]) -> Iterator[Record]:
    """Of each vehicle that has logs and a profile that is still there, as its next assessment would see it."""
    profiles = {p.name: p for p in store.profiles()}
    for group in planned(store, vehicles, AT_ONCE, share=1):
        for known in group.each():
            if known.logs and (profile := profiles.get(known.logs[-1].ref.profile)):
                yield kept_record(known, profile)


def kept_record(known: VehiclePlan, profile: Profile) -> Record:
    return record_of(known, (), MeasuredRows(known.vehicle).frames(), profile)


def between(record: Record, start: int | None, end: int | None) -> Record:
    """The sessions that begin in [start, end), with their figures and events; None: open. Microseconds UTC."""

    def part(rows: pl.DataFrame, key: str) -> pl.DataFrame:
        t = column_micros(rows[key])
        inside = np.ones(t.size, bool)
        if start is not None:
            inside &= t >= start
        if end is not None:
            inside &= t < end
        return only(rows, inside)

    return replace(
        record,
        sessions=part(record.sessions, "start_t"),
        metrics=part(record.metrics, "start_t"),
        events=part(record.events, "session_start_t"),
    )


def with_limits(record: Record, limits: Mapping[str, float]) -> Record:
    """Judged by other limits; by name as in a profile, "rule.limit"."""
    return replace(record, profile=replace(record.profile, limits={**record.profile.limits, **limits}))
