"""The [limits] of a profile held against the rules: a limit that no rule has would not be in force, without a word."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from herdbook.pipeline.health.rule import Limit
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.problems import Findings, Problem, ProfileProblems, in_order, nearest
from herdbook.pipeline.vehicle.profile import Profile, examine


def examine_whole(path: Path) -> tuple[Profile | None, Findings]:
    """A profile with all that is wrong or doubtful in it, limits included. Raises: ProfileError as examine()."""
    profile, found = examine(path)
    if profile is not None:
        check_limits(profile, found)
    return profile, found


def wrong_limits(profile: Profile) -> ProfileProblems | None:
    """For who has loaded a profile and is about to judge by it: what is wrong in its limits, None where nothing is."""
    if _unknown(profile) and (problems := _problems(profile.path)):
        return ProfileProblems(problems, profile.path)
    return None


def check_limits(profile: Profile, found: Findings) -> None:
    """Is each limit one that a rule has, and can its value be?"""
    known = {f"{r.id}.{x.name}": x for r in all_rules().values() for x in r.limits}
    for key, value in profile.limits.items():
        if key not in known:
            found.unknown(("limits", key), f'[limits] "{key}"', _near(key, known))
        elif value < 0 and not _may_be_negative(known[key]):
            one = known[key]
            what = f'[limits] "{key}" = {value:g} cannot be: {one.why.split(":")[0]}'
            found.wrong(
                ("limits", key), what, f"Write a number from 0 up, in {one.unit}; the rule's own is {one.value:g}"
            )


def _unknown(profile: Profile) -> bool:
    known = {f"{r.id}.{x.name}": x for r in all_rules().values() for x in r.limits}
    return any(k not in known or (v < 0 and not _may_be_negative(known[k])) for k, v in profile.limits.items())


def _problems(path: Path) -> list[Problem]:
    return in_order(examine_whole(path)[1].errors)


def _near(key: str, known: Iterable[str]) -> list[str]:
    """The limits of the rule that is meant; all limits where no rule has such a name."""
    rule, _, name = key.partition(".")
    close = {k.partition(".")[0] for k in known}
    if rule in close:
        return [k for k in known if k.startswith(f"{rule}.")]
    guess = nearest(rule, close)
    return [k for k in known if k.partition(".")[0] in guess and (not name or k.endswith(f".{name}"))] or list(known)


def _may_be_negative(limit: Limit) -> bool:
    return limit.value < 0 or "degC" in limit.unit
