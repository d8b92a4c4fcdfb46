"""Which rules can be judged with a profile, and what is missing for the others. The engine and the check of a profile
ask here, so that a scan never judges by a rule that the check called out of reach.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache, lru_cache

from herdbook.pipeline.health.rule import Rule
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.metrics.set import MetricSet
from herdbook.pipeline.vehicle.figures import TABLES, Number
from herdbook.pipeline.vehicle.packs import all_of
from herdbook.pipeline.vehicle.profile import Profile

KEPT = 1024  # answers: some forty rules, and the profiles of a fleet
OF_ONE_PACK = {"pack_voltage", "pack_current", "pack_soc", "charge_limit", "cell_voltage", "cell_temp"}


@cache
def _giver() -> dict[str, MetricSet]:
    """The set that gives a metric, by the metric's name."""
    return {name: one for one in all_sets().values() for name in one.gives}


def _sets(rule: Rule) -> list[MetricSet]:
    return [_giver()[name] for name in rule.needs if name in _giver()]


def roles_needed(rule: Rule) -> tuple[str, ...]:
    """Roles without which the rule cannot judge, "a|b" where one of them is enough: its own and its metrics'."""
    own = rule.must or rule.roles
    either = {role for entry in own if "|" in entry for role in entry.split("|")}
    below = [role for one in _sets(rule) for role in one.needs if role not in either]
    return tuple(dict.fromkeys([*own, *below]))


def figures_needed(rule: Rule) -> tuple[str, ...]:
    """Figures of the profile, as "pack.rated_ah", without which the rule's metrics cannot be measured."""
    return tuple(dict.fromkeys(figure for one in _sets(rule) for figure in one.figures))


def roles_missing(rule: Rule, mapped: Iterable[str]) -> list[str]:
    """What of roles_needed() is not among the mapped ones, in words: "pack_current", "pack_soc or cell_voltage"."""
    have = set(mapped)
    return [" or ".join(entry.split("|")) for entry in roles_needed(rule) if not have & set(entry.split("|"))]


def figures_missing(rule: Rule, profile: Profile) -> list[str]:
    """What of figures_needed() the profile lacks: "[pack] rated_ah"."""
    lacking = []
    for figure in figures_needed(rule):
        table, key = figure.split(".")
        view = {"vehicle": profile.vehicle_figures, "pack": profile.pack_figures, "drive": profile.drive_figures}[table]
        line = vars(TABLES[table])[key]
        known = line.read(view) is not None if isinstance(line, Number) else view.given(key)
        lacking += [] if known else [f"[{table}] {key}"]
    return lacking


def lacking(rule: Rule, profile: Profile) -> list[str]:
    """What is missing for the rule, or why it is not for such a vehicle, in words; of several packs each names its own
    where they differ."""
    packs = all_of(profile) if rule.each_pack else (judging_profile(rule, profile),)
    found = [_lacking(rule, p) for p in packs]
    if all(some == found[0] for some in found):
        return found[0]
    return [f"pack {number}: {', '.join(some)}" for number, some in enumerate(found, start=1) if some]


def _lacking(rule: Rule, profile: Profile) -> list[str]:
    missing = [*roles_missing(rule, {m.role for m in profile.roles}), *figures_missing(rule, profile)]
    return missing or [*unfit(rule, profile)]


class _Same:
    """A key for one object, which it keeps alive; profiles and rules hold tables and have no hash."""

    __slots__ = ("one",)

    def __init__(self, one: object) -> None:
        self.one = one

    def __hash__(self) -> int:
        return id(self.one)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.one is self.one


def why_not(rule: Rule, profile: Profile) -> str:
    """Why the rule cannot judge a vehicle of this profile, whatever is recorded; "" when it can. Vehicles share a
    profile: it is found out once."""
    return _why_not(_Same(rule), _Same(judging_profile(rule, profile)))


def judging_profile(rule: Rule, profile: Profile) -> Profile:
    """By which the rule judges: what is about the vehicle, by all its packs together where that can be."""
    return profile if rule.each_pack else profile.whole or profile


@lru_cache(maxsize=KEPT)
def _why_not(same_rule: _Same, same_profile: _Same) -> str:
    rule, profile = same_rule.one, same_profile.one
    assert isinstance(rule, Rule)
    assert isinstance(profile, Profile)
    said = []
    if roles := roles_missing(rule, {m.role for m in profile.roles}):
        said.append(f"the profile {profile.name} maps no {', '.join(roles)}")
    if figures := figures_missing(rule, profile):
        said.append(f"the profile {profile.name} gives no {', '.join(figures)}")
    return "; ".join(said or unfit(rule, profile))


def unfit(rule: Rule, profile: Profile) -> tuple[str, ...]:
    """Why the rule is not for such a vehicle, though all it needs is there; found out once, too."""
    return _unfit(_Same(rule), _Same(judging_profile(rule, profile)))


@lru_cache(maxsize=KEPT)
def _unfit(same_rule: _Same, same_profile: _Same) -> tuple[str, ...]:
    rule, profile = same_rule.one, same_profile.one
    assert isinstance(rule, Rule)
    assert isinstance(profile, Profile)
    said = []
    if joins_packs(rule, profile):
        said.append(f"{_mapped(profile)}, and what the brake may do depends on all of them")
    chemistry = profile.pack_figures.of_chemistry
    if any(one.flat_only for one in _sets(rule)) and not chemistry.flat:
        said.append(f"it is read where the open-circuit curve is flat, and that of {chemistry.name} is nowhere")
    return tuple(said)


def _mapped(profile: Profile) -> str:
    packs, mapped = profile.pack_figures.packs, 1 + len(profile.others)
    if mapped == packs:
        return "the packs side by side have cells that are not alike"
    some = "one of" if mapped == 1 else f"{mapped} of"
    return f"{some} {packs} packs side by side {'is' if mapped == 1 else 'are'} mapped"


def joins_packs(rule: Rule, profile: Profile) -> bool:
    """Does the rule hold what one pack says against what all of them carry together?"""
    read = {role for entry in (*rule.roles, *roles_needed(rule)) for role in entry.split("|")}
    brake = any(role.startswith("regen_") for role in read)
    return (profile.pack_figures.beside or 1) > 1 and brake and bool(read & OF_ONE_PACK)
