"""From what a log holds to the record and the verdict, by Herdbook's own functions, without writing the log.

What a scan would do between bytes and verdict is done here with the same functions, but for decoding, which loses
nothing: spans and stretches by the same settings, roles by the same conversion, message and clock rows as the ledger
gives them. tests/demo/makers holds that a real scan of written logs comes to the same verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from demo_logs.records import GAP_US, SETTINGS, add_rows, typed
from demo_logs.simulator.logger import Observed
from herdbook.decoders.integrity.checksum import protection_of
from herdbook.pipeline.assess.sessions import sessions, stretches
from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.lake.cadence import Cadence
from herdbook.pipeline.lake.read import convert
from herdbook.pipeline.metrics import measure
from herdbook.pipeline.metrics.clock import LogClock, clock_rows
from herdbook.pipeline.metrics.messages import message_rows
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, REFERENCE, SESSIONS
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

IN_ORDER = ["start_t", "name", "item"]
EVENT_ORDER = ["session_start_t", "start_t", "kind", "item", "end_t"]


@dataclass
class Measured:
    """One vehicle's rows as they are measured, log by log; record() makes them what rules read."""

    vehicle: str
    rows: tuple[list[Any], list[Any], list[Any]] = field(default_factory=lambda: ([], [], []))
    messages: list[pl.DataFrame] = field(default_factory=list)
    clocks: list[LogClock] = field(default_factory=list)

    def metrics(self) -> pl.DataFrame:
        parts = [typed(self.rows[1], METRICS).sort(IN_ORDER, maintain_order=True)]
        if self.messages:
            rows = pl.concat(self.messages).sort(["start_t", "message"], maintain_order=True)
            parts.append(message_rows(rows))
        return pl.concat([*parts, clock_rows(self.clocks)]).sort("start_t", maintain_order=True)

    def record(self, profile: Profile, reference: pl.DataFrame | None) -> Record:
        return Record(
            self.vehicle,
            profile,
            typed(self.rows[0], SESSIONS).sort("start_t", maintain_order=True),
            self.metrics(),
            typed(self.rows[2], EVENTS).sort(EVENT_ORDER, maintain_order=True),
            pl.DataFrame(schema=REFERENCE) if reference is None else reference,
        )


def take(measured: Measured, observed: Sequence[Observed], profile: Profile) -> None:
    """One log into the vehicle's rows."""
    if not observed:
        return
    t = np.sort(np.concatenate([o.t for o in observed]))
    spans = _spans(t)
    data = _series(observed)
    measured.clocks.append((int(t[0]), int(t[-1]), 0.0, True))
    for stretch in stretches(spans, int(SETTINGS.join_s * 1e6)):
        signals = Signals(measured.vehicle, stretch.start, stretch.end, data).between(stretch.start, stretch.end)
        for one in sessions(measured.vehicle, stretch, signals, spans, False, SETTINGS.stop_s, GAP_US):
            s = one.session
            add_rows(measured.rows, s, one.coverage, measure(s, signals.between(s.start, s.end), profile))
        measured.messages.append(_messages(observed, profile, stretch.start, stretch.end))


def _spans(t: NDArray[np.int64]) -> list[tuple[int, int]]:
    """First and last time of every piece without a silence over the ledger's limit."""
    breaks = np.flatnonzero(np.diff(t) > GAP_US)
    first, last = np.concatenate([[0], breaks + 1]), np.concatenate([breaks, [len(t) - 1]])
    return [(int(t[a]), int(t[b])) for a, b in zip(first, last, strict=True)]


def _series(observed: Sequence[Observed]) -> dict[Key, Series]:
    data: dict[Key, Series] = {}
    for seen in observed:
        by_page = {p: seen.t[seen.page == p] for p in seen.message.pages}
        for f in seen.message.fields:
            t = seen.t if f.page is None else by_page[f.page]
            value = convert(seen.raw[f.signal] * f.step + f.base, f.mapping)
            keep = np.concatenate([[True], np.diff(t) > 0]) if len(t) else np.zeros(0, bool)
            data[f.mapping.role, f.mapping.item] = Series(t[keep], value[keep])
    return {k: data[k] for k in sorted(data, key=str)}


def _messages(observed: Sequence[Observed], profile: Profile, start: int, end: int) -> pl.DataFrame:
    """Frames, missed frames and counter steps of every message, counted as a scan counts them."""
    cadence = Cadence([profile])
    layouts = profile.network().by_name
    for seen in observed:
        inside = (seen.t >= start) & (seen.t < end)
        layout = layouts[seen.message.name]
        guard = protection_of(layout)
        value = np.ones(int(inside.sum()))
        if guard is not None and guard.counter is not None:
            value = value + 2.0 * (seen.count[inside] % guard.counter_values)
        cadence.about[seen.message.name] = layout, guard
        cadence.pieces[seen.message.name] = [(seen.t[inside], value)]
    return cadence.rows()
