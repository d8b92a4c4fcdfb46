"""Limits of a birth figure as a test plan sets them: so that a line is held against what its units are tested by."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from herdbook.pipeline.bench.acceptance.figures import PLAIN
from herdbook.pipeline.bench.acceptance.plan import Check, Plan, Step, read_plan
from herdbook.pipeline.bench.acceptance.units import factor
from herdbook.pipeline.errors import InputError, NotKnownError
from herdbook.pipeline.science.conformity import Limits
from herdbook.pipeline.vehicle.problems import nearest


def limits_of(path: Path, figure: str, unit: str, items: Iterable[str]) -> tuple[Limits, str]:
    """The limits of a figure in its own unit, and the plan in words. items: of which groups, sides or sensors there are
    tests. A table of one's own may name a figure as the plan does ("cell_r_ratio", "insulation").

    Raises: ProfileError for a plan that cannot be read; NotKnownError where it sets no limit for the figure; InputError
    where it sets several, or in a unit of another kind.
    """
    plan = read_plan(path)
    named = {name for step in plan.steps for check in step.checks for name in _names(step, check)}
    wanted = set(items)
    found: dict[Limits, list[str]] = {}
    for step in plan.steps:
        for check in step.checks:
            if figure in _names(step, check) and (not check.item or check.item in wanted):
                found.setdefault(_in_unit(check, unit, path), []).append(step.name)
    if not found:
        what = f"plan {plan.name!r} sets no limit for {figure!r}"
        raise NotKnownError(what, path, f"{nearest(figure, sorted(named))} Or give --low and --high")
    if len(found) > 1:
        where = ", ".join(dict.fromkeys(name for names in found.values() for name in names))
        raise InputError(f"sets several limits for {figure} (steps {where})", path, "Give --low and --high instead")
    [limits] = found
    return limits, _words(plan)


def _words(plan: Plan) -> str:
    return f"“{plan.name}”, version {plan.version}"


def _names(step: Step, check: Check) -> set[str]:
    """The birth figures that a check measures, and its own name."""
    if check.source == "reading":
        return {check.name, f"reading {check.name}"}
    if check.source == "role":
        no_load = step.kind.id == "spin_up" and check.name == "motor_current" and check.take == "mean"
        return {check.name} | ({"drag_no_load"} if no_load else set())
    return {check.name} | ({PLAIN[check.name]} if check.name in PLAIN else set())


def _in_unit(check: Check, unit: str, path: Path) -> Limits:
    if not unit:  # a table without units: the plan's
        return check.limits
    try:
        scale = factor(check.unit, unit)
    except ValueError as error:
        what = f"its limits of {check.measured} are in {check.unit}, the tests in {unit}"
        raise InputError(what, path, str(error)) from None
    low, high = check.limits.low, check.limits.high
    return Limits(None if low is None else low * scale, None if high is None else high * scale)
