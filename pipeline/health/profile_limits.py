"""The [limits] of a profile held against the rules: a limit that no rule has would not be in force, without a word."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from herdbook.pipeline.health.rule import Limit, Rule
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.problems import Findings, Problem, ProfileProblems, in_order, nearest
from herdbook.pipeline.vehicle.profile import Profile, examine


def examine_whole(path: Path, own: Mapping[str, Rule] | None = None) -> tuple[Profile | None, Findings]:
    """A profile with all that is wrong or doubtful in it, limits included. Raises: ProfileError as examine()."""
    profile, found = examine(path)
    if profile is not None:
        check_limits(profile, found, own)
    return profile, found


def wrong_limits(profile: Profile, own: Mapping[str, Rule] | None = None) -> ProfileProblems | None:
    """For who has loaded a profile and is about to judge by it: what is wrong in its limits, None where nothing is.
    own: the store's own rules by id, which have limits too; None: not known, and theirs are not looked at."""
    if _unknown(profile, own) and (problems := _problems(profile.path, own)):
        return ProfileProblems(problems, profile.path)
    return None


def check_limits(profile: Profile, found: Findings, own: Mapping[str, Rule] | None = None) -> None:
    """Is each limit one that a rule has, and can its value be?"""
    known = _known(own)
    for key, value in profile.limits.items():
        if _of_unknown_rule(key, own):
            continue
        if key not in known:
            found.unknown(("limits", key), f'[limits] "{key}"', _near(key, known))
        elif value < 0 and not _may_be_negative(known[key]):
            one = known[key]
            what = f'[limits] "{key}" = {value:g} cannot be: {one.why.split(":")[0]}'
            found.wrong(
                ("limits", key), what, f"Write a number from 0 up, in {one.unit}; the rule's own is {one.value:g}"
            )


def _unknown(profile: Profile, own: Mapping[str, Rule] | None) -> bool:
    known = _known(own)
    asked = {k: v for k, v in profile.limits.items() if not _of_unknown_rule(k, own)}
    return any(k not in known or (v < 0 and not _may_be_negative(known[k])) for k, v in asked.items())


def _known(own: Mapping[str, Rule] | None) -> dict[str, Limit]:
    return {f"{r.id}.{x.name}": x for r in (*all_rules().values(), *(own or {}).values()) for x in r.limits}


def _of_unknown_rule(key: str, own: Mapping[str, Rule] | None) -> bool:
    """A limit of somebody's own rule that is not at hand, or that cannot be used now: nothing can be said of it."""
    rule = key.partition(".")[0]
    return rule.startswith("own_") and (own is None or (rule in own and not own[rule].limits))


def _problems(path: Path, own: Mapping[str, Rule] | None) -> list[Problem]:
    return in_order(examine_whole(path, own)[1].errors)


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
