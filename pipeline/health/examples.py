"""Small records for the rules' own cases: a few sessions with the metrics a rule would meet in the catalogue.

record(one_session(0, "charge", Metric("cell_offset_top_ah", -0.9, "Ah", 0.05, 20, item="3")),
       one_session(1, "ride", ...), pack={"rated_ah": 30.0})
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from herdbook.pipeline.health.rule import Record
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, REFERENCE, SESSIONS, Event, Metric
from herdbook.pipeline.vehicle.role_table import Mapping as RoleMapping
from herdbook.pipeline.vehicle.roles import ROLES

FIRST_DAY = datetime(2026, 3, 1, 8, tzinfo=UTC)
PACK: dict[str, object] = {
    "chemistry": "LFP",
    "cells": 12,
    "rated_ah": 30.0,
    "cell_min_v": 2.5,
    "cell_max_v": 3.65,
    "charge_min_c": 0.0,
    "charge_max_c": 45.0,
    "bleed_a": 0.07,
}

DRIVE: dict[str, object] = {"gear": 3.2, "wheel_m": 0.2}


@dataclass(frozen=True, slots=True)
class ExampleSession:
    """One session of an example: it begins `day` days after the first one and lasts `hours`."""

    day: float
    kind: str
    parts: tuple[Metric | Event, ...]
    hours: float = 1.0
    coverage: float = 1.0

    @property
    def span(self) -> tuple[datetime, datetime]:
        start = FIRST_DAY + timedelta(days=self.day)
        return start, start + timedelta(hours=self.hours)


def one_session(
    day: float, kind: str, *parts: Metric | Event, hours: float = 1.0, coverage: float = 1.0
) -> ExampleSession:
    """A session with its metrics and events. An event's times are microseconds after the session's start."""
    return ExampleSession(day, kind, parts, hours, coverage)


def days(count: int, kind: str, *parts: Metric | Event, first: float = 0.0) -> list[ExampleSession]:
    """The same session on `count` days running."""
    return [one_session(first + day, kind, *parts) for day in range(count)]


def fleet(*figures: tuple[str, float, float, str]) -> pl.DataFrame:
    """A fleet reference: (name, value, spread, unit) of 50 vehicles each."""
    rows = [(name, "", value, spread, unit, 50) for name, value, spread, unit in figures]
    return pl.DataFrame(rows, schema=REFERENCE, orient="row")


def profile(pack: Mapping[str, object] | None = None, drive: Mapping[str, object] | None = None) -> Profile:
    """A profile without buses that maps every role: only its figures differ."""
    pack, drive = {**PACK, **(pack or {})}, {**DRIVE, **(drive or {})}
    return Profile(
        name="example",
        path=Path("example.toml"),
        vehicle={"zone": "UTC"},
        pack=pack,
        drive=drive,
        limits={},
        buses=(),
        identity={},
        roles=tuple(RoleMapping(name, "", "Example", name) for name in ROLES),
        hash="",
    )


def record(
    *held: ExampleSession,
    pack: Mapping[str, object] | None = None,
    drive: Mapping[str, object] | None = None,
    reference: pl.DataFrame | None = None,
) -> Record:
    """The record of one invented vehicle, in time order."""
    sessions, metrics, events = [], [], []
    for s in sorted(held, key=lambda x: x.day):
        start, end = s.span
        sessions.append(("example", s.kind, start, end, s.coverage))
        for p in s.parts:
            if isinstance(p, Metric):
                metrics.append((s.kind, start, end, p.name, p.item, p.value, p.unit, p.se, p.n, p.coverage))
            else:
                data = [{"key": k, "value": v} for k, v in p.data.items()]
                span = [start + timedelta(microseconds=t) for t in (p.start, p.end)]
                events.append((start, p.kind, p.item, *span, data))
    return Record(
        vehicle="example",
        profile=profile(pack, drive),
        sessions=pl.DataFrame(sessions, schema=SESSIONS, orient="row"),
        metrics=pl.DataFrame(metrics, schema=METRICS, orient="row"),
        events=pl.DataFrame(events, schema=EVENTS, orient="row"),
        reference=pl.DataFrame(schema=REFERENCE) if reference is None else reference,
    )
