"""A plan held against the profile of the unit: what it asks for that this vehicle cannot show.

Such a plan could never pass a unit, and whoever wrote it has to know before a line runs by it.
"""

from __future__ import annotations

from collections.abc import Iterator

from herdbook.pipeline.bench.acceptance.plan import Check, Plan, Step
from herdbook.pipeline.health.doubted_figures import ALSO
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.metrics.set import MetricSet
from herdbook.pipeline.vehicle.problems import Problem, ProfileProblems, in_order
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.roles import ROLES


def fit_to(plan: Plan, profile: Profile) -> None:
    """Raises: ProfileProblems with everything in the plan that this profile does not allow."""
    problems = list(_problems(plan, profile))
    if problems:
        raise ProfileProblems(in_order(problems), plan.path)


def giver_of(metric: str) -> MetricSet:
    """The metric set that gives a figure."""
    return next(one for one in all_sets().values() if metric in one.gives)


def roles_of(check: Check) -> set[str]:
    """Every role that the check's value may rest on."""
    if check.source == "role":
        return {check.name}
    giver = giver_of(check.name)
    return {role for any_of in giver.needs for role in any_of.split("|")} | {*ALSO.get(giver.id, "").split()}


def items_of(profile: Profile, role: str) -> list[str]:
    """Of which groups, sensors or motors the profile maps a role, in its order; [""] for a role without."""
    return [str(m.item) for m in profile.roles if m.role == role]


def expected_items(check: Check, profile: Profile, found: list[str]) -> list[str]:
    """Of what a figure must be there for the check to be whole: where it is given by group, sensor or motor, of each
    that the profile maps, so that one that says nothing does not pass."""
    if check.item:
        return [check.item]
    if check.source == "role":
        return items_of(profile, check.name)
    roles = [role for any_of in giver_of(check.name).needs for role in any_of.split("|") if ROLES[role].index]
    for role in roles:
        mapped = items_of(profile, role)
        if found and set(found) <= set(mapped):
            return mapped
    return found or [""]


def _problems(plan: Plan, profile: Profile) -> Iterator[Problem]:
    if plan.profile not in (profile.name, profile.family):
        what = f"the plan is for {plan.profile!r}, the unit is a {profile.name!r}"
        yield Problem(what, "Use the plan of this type, or the profile that the plan is for (--profile)")
        return
    mapped = {m.role for m in profile.roles}
    for step in plan.steps:
        for any_of in step.kind.roles:
            if not mapped & set(any_of):
                signs = " or ".join(any_of)
                what = f"step {step.name!r} is recognised by {signs}, which profile {profile.name} does not map"
                yield Problem(what, "Map it in the profile, or take the step out", step.line)
        for check in step.checks:
            yield from _of_check(check, step, profile, mapped)


def _of_check(check: Check, step: Step, profile: Profile, mapped: set[str]) -> Iterator[Problem]:
    needed = {"role": (check.name,), "metric": giver_of(check.name).needs if check.source == "metric" else ()}
    for role in needed.get(check.source, ()):
        if not mapped & set(role.split("|")):
            wanted = role.replace("|", " or ")
            what = f"{check.measured} in step {step.name!r} needs {wanted}, which profile {profile.name} does not map"
            yield Problem(what, "Map it in the profile, or take the check out", check.line)
    if (
        check.source == "role"
        and check.item
        and check.name in mapped
        and check.item not in items_of(profile, check.name)
    ):
        there = ", ".join(i for i in items_of(profile, check.name) if i) or "none: leave item out"
        yield Problem(
            f"{check.name} has no item {check.item!r} in profile {profile.name}", f"There: {there}", check.line
        )
    if check.source == "metric":
        tables = {"pack": profile.pack_figures, "drive": profile.drive_figures, "vehicle": profile.vehicle_figures}
        for figure in giver_of(check.name).figures:
            table, _, key = figure.partition(".")
            if not tables[table].given(key):
                what = f"{check.name} needs [{table}] {key}, which profile {profile.name} does not give"
                yield Problem(what, "Give it in the profile", check.line)
