"""Some designs from drawing to verdict: what one process of a campaign does."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import polars as pl

from demo_logs.frames import to_frames
from demo_logs.makers.bus import Bus, draw_bus
from demo_logs.makers.design import Design, draw_design
from demo_logs.makers.faults import CHARGE, KINDS, RIDE
from demo_logs.makers.judge import Measured, take
from demo_logs.makers.profile_file import write_profile
from demo_logs.makers.sense import Sensed, messages_of
from demo_logs.makers.truth import Truth, shown_after
from demo_logs.makers.vehicle import FLEETS, Vehicle, draw_fleet
from demo_logs.makers.world import Seen, run
from demo_logs.writers import write_log
from herdbook.pipeline.health.engine import judge
from herdbook.pipeline.health.reference import FEW, fit_reference
from herdbook.pipeline.vehicle.profile import Profile, load_profile


@dataclass(frozen=True, slots=True)
class Word:
    """A finding. first: microseconds UTC of its first evidence, 0 where it has no window."""

    rule: str
    severity: str
    item: str
    confidence: float
    statement: str
    first: int


@dataclass(frozen=True, slots=True)
class FaultLabel:
    """shown: logged sessions since onset in which it could show."""

    name: str
    size: float
    item: str
    onset: int
    shown: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """One vehicle: truth and what was said. true_words: (rule, item). scores by subsystem (None: not assessed).
    refused: rules that could not judge."""

    vehicle: str
    design: int
    half: str
    faults: tuple[FaultLabel, ...]
    true_words: tuple[tuple[str, str], ...]
    rides: int
    charges: int
    days: float
    words: tuple[Word, ...]
    scores: dict[str, float | None] = field(default_factory=dict)
    refused: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Job:
    """Designs that run in step, and where their profiles go. logs: folder for candump logs, None: none are written."""

    seed: int
    indices: tuple[int, ...]
    weeks: float
    profiles: Path
    logs: Path | None = None


def first_number(index: int) -> int:
    """Number of a design's first vehicle: whose turn it is among the faults does not depend on what else is drawn."""
    return index * max(FLEETS)


def draw(job: Job) -> tuple[list[Vehicle], dict[int, Profile]]:
    """Vehicles of the job's designs, and the designs' profiles by index."""
    vehicles: list[Vehicle] = []
    profiles: dict[int, Profile] = {}
    for index in job.indices:
        design: Design = draw_design(job.seed, index)
        bus: Bus = draw_bus(design)
        profiles[index] = load_profile(write_profile(job.profiles, design, bus))
        vehicles += draw_fleet(job.seed, design, bus, job.weeks, first_number(index))
    return vehicles, profiles


def judged(job: Job) -> list[Outcome]:
    """Simulate, sense, measure, judge."""
    vehicles, profiles = draw(job)
    measured = [Measured(v.name) for v in vehicles]
    truths = [Truth() for _ in vehicles]
    known = {index: messages_of(profile) for index, profile in profiles.items()}
    for seen in run(vehicles):
        vehicle = vehicles[seen.number]
        observed = Sensed(vehicle, seen).observe(known[vehicle.design.index])
        if not observed:
            continue
        truths[seen.number].see(vehicle, seen)
        take(measured[seen.number], observed, profiles[vehicle.design.index])
        if job.logs is not None:
            _write(job.logs, vehicle, seen, observed, profiles[vehicle.design.index])
    reference = _references(vehicles, measured)
    return [
        _outcome(v, t, m, profiles[v.design.index], reference.get(v.design.index), job.weeks)
        for v, t, m in zip(vehicles, truths, measured, strict=True)
    ]


def _write(folder: Path, vehicle: Vehicle, seen: Seen, observed: list[Any], profile: Profile) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    name = f"{vehicle.name}_{seen.event.start // 1_000_000}_{seen.event.kind}.log"
    write_log(folder / name, to_frames(observed, profile))


def _references(vehicles: list[Vehicle], measured: list[Measured]) -> dict[int, pl.DataFrame]:
    """Fleet figures by design, where its fleet is large enough to have some: what `store refit` would give."""
    fleets: dict[int, list[Measured]] = {}
    for v, m in zip(vehicles, measured, strict=True):
        if m.rows[0]:
            fleets.setdefault(v.design.index, []).append(m)
    return {
        index: fit_reference(pl.concat([m.metrics().with_columns(pl.lit(m.vehicle).alias("vehicle")) for m in fleet]))
        for index, fleet in fleets.items()
        if len(fleet) >= FEW
    }


def _outcome(
    vehicle: Vehicle, truth: Truth, measured: Measured, profile: Profile, reference: pl.DataFrame | None, weeks: float
) -> Outcome:
    truth.close(vehicle)
    labels = tuple(
        FaultLabel(f.name, f.size, str(f.item), f.onset, shown_after(truth, KINDS[f.name].shows, f.onset))
        for f in vehicle.faults
    )
    words: tuple[Word, ...] = ()
    scores: dict[str, float | None] = {}
    refused: tuple[str, ...] = ()
    if measured.rows[0]:
        verdict = judge(measured.record(profile, reference))
        words = tuple(
            Word(
                j.rule.id,
                str(j.finding.severity),
                j.finding.item,
                float(j.finding.confidence),
                j.finding.statement,
                min((w.start for w in j.finding.windows), default=0),
            )
            for j in verdict.findings
        )
        scores = {name: s.score for name, s in verdict.scores.items()}
        refused = tuple(r.rule.id for r in verdict.not_assessed)
    return Outcome(
        vehicle.name,
        vehicle.design.index,
        vehicle.design.half,
        labels,
        tuple(sorted(truth.words)),
        len(truth.logged.get(RIDE, ())),
        len(truth.logged.get(CHARGE, ())),
        weeks * 7.0,
        words,
        scores,
        refused,
    )
