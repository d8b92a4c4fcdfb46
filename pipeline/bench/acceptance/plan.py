"""A test plan: a TOML file of the maker, checked whole. Every mistake is told at once, with its line.

    [plan]
    name = "board, end of line"
    version = "3"
    profile = "zirbel"
    set_by = "test engineering"
    set_on = 2026-02-20
    why = "nothing leaves the hall that the workshop would open"
    [[step]]
    kind = "charge"
    [[step.check]]
    metric = "charge_ah"
    low = 28.0
    unit = "Ah"
    why = "rated charge less what the balance may take"

All keys: plan_keys.py, and a file for each kind of step in steps/. No plan passes anything by leaving something out:
what is not measured, or has no error, is not decided.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from herdbook.pipeline.bench.acceptance.plan_keys import NEEDED, CheckKeys, PlanKeys, StepKeys, day_of, lines_of
from herdbook.pipeline.bench.acceptance.step_kind import StepKind
from herdbook.pipeline.bench.acceptance.steps import all_kinds
from herdbook.pipeline.bench.acceptance.units import factor
from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.metrics.set import MetricSet
from herdbook.pipeline.science.conformity import Limits
from herdbook.pipeline.vehicle.figures import Figures, Needed
from herdbook.pipeline.vehicle.key_lines import Key, KeyLines
from herdbook.pipeline.vehicle.problems import Findings, ProfileProblems, in_order
from herdbook.pipeline.vehicle.profile import MOST_BYTES
from herdbook.pipeline.vehicle.roles import ROLES

Table = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Check:
    """One thing measured in a step. source: "metric", "role" or "reading"; name: which; unit: of limits and error,
    times scale in the figure's own unit. line: of the plan."""

    source: str
    name: str
    take: str
    item: str
    limits: Limits
    unit: str
    scale: float
    why: str
    set_by: str
    error: float | None
    error_why: str
    risk: float
    least_coverage: float | None  # None: the step's
    line: int

    @property
    def measured(self) -> str:
        """As it stands on certificate and terminal: "charge_ah", "mean of motor_current", "insulation"."""
        return f"{self.take} of {self.name}" if self.source == "role" else self.name


@dataclass(frozen=True, slots=True)
class Step:
    """name: its own in the plan. keys: those of its kind, read by attribute."""

    name: str
    kind: StepKind
    why: str
    caution: str
    optional: bool
    least_coverage: float
    keys: Figures
    checks: tuple[Check, ...]
    line: int

    @property
    def sought(self) -> str:
        """What was looked for, with the plan's own figures."""
        given = {line.key: line.read(self.keys) for line in type(self.keys).lines()}
        return self.kind.sought.format(**given)


@dataclass(frozen=True, slots=True)
class Plan:
    path: Path
    hash: str  # SHA-256 of its bytes
    name: str
    version: str
    profile: str
    set_by: str
    set_on: str
    why: str
    caution: str
    risk: float
    findings: str  # "stop-use" or "service": from which severity on a finding fails the unit
    steps: tuple[Step, ...]


def read_plan(path: Path | str) -> Plan:
    """Read and check a plan. Raises: ProfileError for no TOML; ProfileProblems with every mistake and its line."""
    path = Path(path)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise ProfileError("is larger than 1 MB, which no test plan is", path, "Look at what wrote it")
        raw = path.read_bytes()
        text = raw.decode("utf-8")
        table: Table = tomllib.loads(text)
    except OSError as error:
        raise ProfileError(f"cannot be read ({error.strerror})", path, "Check the path") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ProfileError(f"is not TOML: {error}", path, "Correct that line") from None
    found = Findings(KeyLines(text))
    plan = _Reader(found).plan(path, hashlib.sha256(raw).hexdigest(), table)
    if found.errors:
        raise ProfileProblems(in_order(found.errors), path)
    return plan


class _Reader:
    """Goes through a plan once, and goes on after a mistake."""

    def __init__(self, found: Findings) -> None:
        self.found = found

    def plan(self, path: Path, digest: str, table: Table) -> Plan:
        for name in table.keys() - {"plan", "step"}:
            self.found.unknown((name,), f"[{name}]", ("plan", "step"))
        head = PlanKeys(self._sound(PlanKeys, table.get("plan", {}), ("plan",), "[plan]"))
        return Plan(
            path=path,
            hash=digest,
            name=head.name,
            version=head.version,
            profile=head.profile_,
            set_by=head.set_by,
            set_on=day_of(head.set_on),
            why=head.why,
            caution=head.caution,
            risk=head.risk_pct / 100,
            findings=head.findings,
            steps=tuple(self._steps(table.get("step"), head)),
        )

    def _steps(self, entries: object, plan: PlanKeys) -> Iterator[Step]:
        if not isinstance(entries, list) or not entries or not all(isinstance(e, dict) for e in entries):
            do = 'Write at least one [[step]] with kind = "..."; kinds: ' + ", ".join(all_kinds())
            self.found.wrong(("step",), "the plan has no step", do)
            return
        names: dict[str, int] = {}
        for number, entry in enumerate(entries):
            at: Key = ("step", number)
            step = self._step(entry, at, plan)
            if step is None:
                continue
            if step.name in names:
                self.found.wrong((*at, "name"), f"two steps are called {step.name!r}", "Give each a name of its own")
            names[step.name] = number
            yield step

    def _step(self, entry: Table, at: Key, plan: PlanKeys) -> Step | None:
        given = dict(entry)
        checks = given.pop("check", [])
        word = given.get("kind")
        kind = all_kinds().get(word) if isinstance(word, str) else None
        if kind is None and word is not None:
            self.found.unknown((*at, "kind", str(word)), f"[[step]] kind = {word!r}", all_kinds())
        if kind is None:  # its keys cannot be known; what it checks can be all the same
            given = {k: v for k, v in given.items() if k in lines_of(StepKeys)}
        sound = self._sound(StepKeys, given, at, "[[step]]", kind)
        keys = StepKeys(sound)
        if not isinstance(checks, list) or not all(isinstance(c, dict) for c in checks):
            self.found.wrong((*at, "check"), "its checks are no list of tables", "Write [[step.check]] for each")
            checks = []
        every = (self._check(entry, (*at, "check", n), kind, plan) for n, entry in enumerate(checks))
        made = [c for c in every if c is not None]
        if kind is None:
            return None
        if not checks:
            what = f"step {keys.name or kind.id!r} checks nothing, so that it would pass by being there"
            self.found.wrong(at, what, "Write [[step.check]] with what is measured and its limits")
        return Step(
            name=keys.name or kind.id,
            kind=kind,
            why=keys.why,
            caution=keys.caution,
            optional=keys.optional,
            least_coverage=keys.least_coverage,
            keys=kind.keys(sound, "the plan"),
            checks=tuple(made),
            line=self.found.lines.of(at) or 0,
        )

    def _check(self, entry: Table, at: Key, kind: StepKind | None, plan: PlanKeys) -> Check | None:
        if at not in self.found.lines.lines:  # written as check = [{...}]
            at = at[:-1]
        keys = CheckKeys(self._sound(CheckKeys, entry, at, "[[step.check]]"))
        named = [key for key in ("metric", "role", "reading") if key in entry]
        if len(named) != 1:
            what = "a check names nothing that is measured" if not named else f"a check names {' and '.join(named)}"
            self.found.wrong(at, what, "Write one of metric, role, reading")
            return None
        [source] = named
        unit = self._unit_of(source, keys, at, kind)
        self._limits(keys, at)
        scale = 1.0
        if unit and keys.unit:
            try:
                scale = factor(keys.unit, unit)
            except ValueError as error:
                what = f"unit = {keys.unit!r} does not fit {keys.metric or keys.role}, which is in {unit}"
                self.found.wrong((*at, "unit"), what, str(error))
        if keys.error is not None and not keys.error_why:
            do = 'Write error_why = "..." with where it is from; of a count: "counted"'
            self.found.wrong((*at, "error"), f"error = {keys.error:g} says not where it is from", do)
        return Check(
            source=source,
            name={"metric": keys.metric, "role": keys.role, "reading": keys.reading}[source],
            take=keys.take if source == "role" else "",
            item=keys.item,
            limits=Limits(keys.low, keys.high),
            unit=keys.unit,
            scale=scale,
            why=keys.why,
            set_by=keys.set_by or plan.set_by,
            error=keys.error,
            error_why=keys.error_why,
            risk=(plan.risk_pct if keys.risk_pct is None else keys.risk_pct) / 100,
            least_coverage=keys.least_coverage,
            line=self.found.lines.of(at) or 0,
        )

    def _limits(self, keys: CheckKeys, at: Key) -> None:
        if keys.low is None and keys.high is None:
            self.found.wrong(at, "a check has no limit", "Write low = ..., high = ..., or both")
        elif keys.low is not None and keys.high is not None and keys.low > keys.high:
            what = f"low = {keys.low:g} lies above high = {keys.high:g}"
            self.found.wrong((*at, "low"), what, "Nothing could pass: exchange them, or correct one")

    def _unit_of(self, source: str, keys: CheckKeys, at: Key, kind: StepKind | None) -> str:
        """The unit of what is measured; "" where it is not known, or is the instrument's own business."""
        logged = kind is None or kind.logged
        if source == "reading":
            if kind is not None and logged:
                what = f"reading = {keys.reading!r} stands in a step of kind {kind.id}"
                self.found.wrong((*at, "reading"), what, 'Move it into a step of kind = "reading"')
            return ""
        if not logged:
            self.found.wrong((*at, source), "a step of kind reading measures nothing in a log", "Write reading = ...")
            return ""
        if "take" in keys.raw and source != "role":
            self.found.wrong((*at, "take"), "take is for a role; a metric is one number already", "Remove it")
        return self._role_unit(keys, at) if source == "role" else self._metric_unit(keys, at, kind)

    def _role_unit(self, keys: CheckKeys, at: Key) -> str:
        role = ROLES.get(keys.role)
        if role is None:
            self.found.unknown((*at, "role", keys.role), f"role = {keys.role!r}", ROLES)
            return ""
        if role.unit in ("id", "bits"):
            do = "Check a figure of the metric sets instead"
            self.found.wrong((*at, "role"), f"{role.name} is no quantity that could be averaged", do)
            return ""
        return "K" if role.unit == "degC" and keys.take == "rise" else role.unit

    def _metric_unit(self, keys: CheckKeys, at: Key, kind: StepKind | None) -> str:
        sets = {name: one for one in all_sets().values() for name in one.gives}
        if keys.metric not in sets:
            self.found.unknown((*at, "metric", keys.metric), f"metric = {keys.metric!r}", sets)
            return ""
        giver: MetricSet = sets[keys.metric]
        if kind is not None and kind.session not in giver.kinds:
            where = [k.id for k in all_kinds().values() if k.session in giver.kinds]
            do = f"It is in steps of kind {', '.join(where)}" if where else "No step gives it"
            self.found.wrong((*at, "metric"), f"{keys.metric} is not measured in {kind.words}", do)
        return giver.gives[keys.metric][0]

    def _sound(self, table: type[Figures], given: object, at: Key, head: str, kind: StepKind | None = None) -> Table:
        """The keys that are known and whose values can be."""
        if not isinstance(given, dict):
            self.found.wrong(at, f"{head} is no table", f"Write {head} on a line of its own")
            given = {}
        lines = lines_of(table, kind)
        sound = {}
        for key, value in given.items():
            if key not in lines:
                self.found.unknown((*at, key), f"{head} {key}", lines)
            elif expected := lines[key].wrong(value):
                what = f"{head} {key} = {value!r} cannot be: {lines[key].meaning}"
                self.found.wrong((*at, key), what, f"Write {expected}")
            else:
                sound[key] = value
        needed = (*NEEDED[table], *(key for key, line in lines.items() if isinstance(line, Needed)))
        for key in needed:
            if key not in given or given[key] == "":
                self.found.wrong(at, f"{head} lacks {key}: {lines[key].meaning}", f"Write {key} = ...")
        return sound
