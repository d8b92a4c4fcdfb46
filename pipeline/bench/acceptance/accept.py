"""A unit held against a test plan: its logs looked at as a scan would, each step found and measured, each value judged.

Nothing is kept here: enter.py puts a result into a store, and reports/bench writes its certificate.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.bench.acceptance.figures import Figure, best, figures_of
from herdbook.pipeline.bench.acceptance.measure import Place, Value, mean_of, places_of, recorded, values_of
from herdbook.pipeline.bench.acceptance.plan import Check, Plan, Step
from herdbook.pipeline.bench.acceptance.plan_fit import expected_items, fit_to, roles_of
from herdbook.pipeline.bench.acceptance.readings import Readings
from herdbook.pipeline.bench.acceptance.scenes import UnitLog, logs_of, scenes_of
from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span
from herdbook.pipeline.bench.acceptance.units import factor
from herdbook.pipeline.bench.acceptance.verdicts import Judged, Verdict, judge, missing, together
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.night.look import Looked, look
from herdbook.pipeline.night.progress import Progress
from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.vehicle.profile import Profile

RANK = {"note": 0, "service": 1, "stop-use": 2}


@dataclass(frozen=True, slots=True)
class StepResult:
    """spans: where it was found (microseconds UTC). lacking: why it was not; "" when it was."""

    step: Step
    verdict: Verdict
    spans: tuple[Span, ...]
    rows: tuple[Judged, ...]
    lacking: str = ""

    @property
    def counts(self) -> bool:
        return not (self.lacking and self.step.optional)


@dataclass(frozen=True, slots=True)
class BirthValue:
    """A birth figure and where it was measured; step: of the plan."""

    figure: Figure
    step: str
    span: Span


@dataclass(frozen=True, slots=True)
class Acceptance:
    """verdict: of the unit. findings: what the fleet's rules say of these logs, grave first. against: what else speaks
    against it, in words. refused: logs that could not be used, (log, why, what to do). doubts: what the logs say
    against the profile. serials: component and serial by the bus."""

    vehicle: str
    verdict: Verdict
    plan: Plan
    profile: str
    profile_hash: str
    zone: str
    steps: tuple[StepResult, ...]
    findings: tuple[dict[str, Any], ...]
    against: tuple[str, ...]
    logs: tuple[UnitLog, ...]
    refused: tuple[tuple[str, str, str], ...]
    doubts: tuple[str, ...]
    serials: dict[str, str]
    births: tuple[BirthValue, ...]
    readings: Readings

    @property
    def from_t(self) -> datetime:
        return min(log.start_t for log in self.logs)

    @property
    def to_t(self) -> datetime:
        return max(log.end_t for log in self.logs)

    @property
    def rows(self) -> list[Judged]:
        """Every value that counts: all but those of a step that may lack, and does."""
        return [row for step in self.steps if step.counts for row in step.rows]

    @property
    def wrong_acceptance(self) -> float:
        """The chance that at least one of its values lies outside its limits is at most this: the sum over all values
        (Boole). 1 where one is not known."""
        return min(1.0, sum(1.0 if row.outside is None else row.outside for row in self.rows))


def accept(
    logs: Sequence[Path | str],
    plan: Plan,
    profile: Path | str,
    *,
    vehicle: str = "",
    readings: Readings | None = None,
    progress: Progress | None = None,
) -> Acceptance:
    """Hold the logs of one unit against a plan. profile: a file, or a folder of profiles. vehicle: whose the logs are,
    where they do not say so, or which one is meant where they are of several.

    Raises: InputError when no log can be used, or they are of several units; ProfileError, also where plan and profile
    do not go together.
    """
    with look(logs, profile, vehicle, progress) as seen:
        unit = _unit(seen, vehicle)
        return _judged(seen, unit, plan, readings or Readings())


def _unit(seen: Looked, wanted: str) -> str:
    if not seen.vehicles:
        log, why, do = (*seen.refused, ("", "no log could be used", "Name its logs"))[0]
        raise InputError(why, log, do)
    if wanted in seen.vehicles:
        return wanted
    if len(seen.vehicles) > 1:
        what = f"the logs are of {len(seen.vehicles)} units: {', '.join(seen.vehicles)}"
        raise InputError(what, "", "Name one: --vehicle, or give the logs of one unit")
    [only] = seen.vehicles
    if wanted:
        raise InputError(f"the logs are of {only}, not of {wanted}", "", "Give the right logs, or leave --vehicle out")
    return only


def _judged(seen: Looked, unit: str, plan: Plan, readings: Readings) -> Acceptance:
    profile = _profile_of(seen.store, unit)
    fit_to(plan, profile)
    scenes = scenes_of(seen.store, unit, profile)
    doubted = {r for d in seen.doubts if d.verdict == "contradicted" and d.profile == profile.name for r in d.roles}
    test = _Test(plan, profile, scenes, readings, frozenset(doubted))
    steps = tuple(test.step(step) for step in plan.steps)
    findings = _findings(seen.store, unit)
    grave = [f for f in findings if RANK[f["severity"]] >= RANK[plan.findings]]
    against = tuple(f"{f['title']}: {f['statement']}" for f in grave)
    verdicts = [s.verdict for s in steps if s.counts]
    if grave:
        verdicts.append(Verdict.FAILED)
    if seen.refused:  # nobody knows what stands in them
        verdicts.append(Verdict.OPEN)
    return Acceptance(
        vehicle=unit,
        verdict=together(verdicts),
        plan=plan,
        profile=profile.name,
        profile_hash=profile.hash,
        zone=profile.vehicle_figures.zone or seen.store.settings.zone,
        steps=steps,
        findings=tuple(findings),
        against=against,
        logs=tuple(logs_of(seen.store, unit)),
        refused=seen.refused,
        doubts=tuple(d.words for d in seen.doubts),
        serials=_serials(seen.store, unit),
        births=tuple(test.births()),
        readings=readings,
    )


class _Test:
    """The steps of one plan in one unit's scenes; what was measured in them is kept for the birth figures."""

    def __init__(
        self, plan: Plan, profile: Profile, scenes: list[Scene], readings: Readings, doubted: frozenset[str]
    ) -> None:
        self.plan, self.profile, self.scenes, self.readings, self.doubted = plan, profile, scenes, readings, doubted
        self.places: list[tuple[Step, Place]] = []

    def step(self, step: Step) -> StepResult:
        if not step.kind.logged:
            return self._by_instrument(step)
        places = places_of(step, self.scenes)
        if not places:
            lacking = f"not found in these logs; looked for: {step.sought}"
            rows = tuple(missing(check, check.item, lacking) for check in step.checks)
            return StepResult(step, Verdict.OPEN, (), rows, lacking)
        self.places += [(step, place) for place in places]
        cut = "; ".join(dict.fromkeys(p.scene.cut for p in places if p.scene.cut))
        gaps = min(recorded(p) for p in places)
        if not cut and gaps < step.least_coverage:
            cut = f"only {gaps:.0%} of it is recorded"
        rows = tuple(row for check in step.checks for row in self._check(check, step, places, cut))
        return StepResult(step, together(r.verdict for r in rows), tuple(p.span for p in places), rows)

    def _check(self, check: Check, step: Step, places: list[Place], in_doubt: str) -> Iterator[Judged]:
        found = {v.item: v for v in values_of(check, places)}
        if doubted := sorted(self.doubted & roles_of(check)):
            in_doubt = f"these logs contradict what the profile says of {', '.join(doubted)}"
        for item in expected_items(check, self.profile, list(found)):
            if item in found:
                least = step.least_coverage if check.least_coverage is None else check.least_coverage
                yield judge(check, found[item], least_coverage=least, in_doubt=in_doubt)
            else:
                yield missing(check, item, "these logs give no value of it in this step")

    def _by_instrument(self, step: Step) -> StepResult:
        rows: list[Judged] = []
        for check in step.checks:
            read = [r for r in self.readings.of(check.name) if check.item in ("", r.item)]
            if not read:
                rows.append(missing(check, check.item, f"no reading {check.name!r} was given (--readings FILE)"))
            for r in read:
                try:
                    scale = factor(r.unit, check.unit)
                except ValueError as error:
                    what = f"it was read in {r.unit}, the limit is in {check.unit}. {error}"
                    rows.append(missing(check, r.item, what))
                    continue
                value = Value(r.item, r.value * scale, None if r.error is None else r.error * scale, 1, 1.0)
                rows.append(judge(check, value, least_coverage=0.0))
        lacking = "" if any(row.value is not None for row in rows) else "no reading of it was given (--readings FILE)"
        return StepResult(step, together(r.verdict for r in rows), (), tuple(rows), lacking)

    def births(self) -> Iterator[BirthValue]:
        """Of every place that the plan looked at, limit or no limit."""
        given: list[tuple[list[Figure], Span]] = []
        name: dict[Span, str] = {}
        for step, place in self.places:
            drags = list(_drags(place)) if step.kind.id == "spin_up" else []
            given.append((figures_of(place.outcome.metrics, step.kind.session) + drags, place.span))
            name.setdefault(place.span, step.name)
        for span, figures in best(given).items():
            yield from (BirthValue(figure, name[span], span) for figure in figures)
        for r in self.readings.rows:
            yield BirthValue(Figure(f"reading {r.name}", r.item, r.value, r.unit, r.error, 1), "reading", (0, 0))


def _drags(place: Place) -> Iterator[Figure]:
    """Torque current of each motor that spins without load."""
    for item in place.signals.items("motor_current"):
        value, se, n = mean_of(place.signals.series("motor_current", item))
        if value is not None:
            yield Figure("drag_no_load", str(item), value, "A", se, n)


def _profile_of(store: Store, vehicle: str) -> Profile:
    with store.read() as con:
        [(name,)] = con.execute("SELECT profile FROM vehicles WHERE vehicle = ?", [vehicle]).fetchall()
    return next(p for p in store.profiles() if p.name == name)


def _findings(store: Store, vehicle: str) -> list[dict[str, Any]]:
    with store.read() as con:
        return ask(con, __name__, "findings_of", vehicle=vehicle)


def _serials(store: Store, vehicle: str) -> dict[str, str]:
    """By component; where several were seen, the one seen last."""
    with store.read() as con:
        rows = ask(con, __name__, "serials_of", vehicle=vehicle)
    return {row["component"]: row["serial"] for row in rows}
