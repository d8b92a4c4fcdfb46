"""Rules that may not judge because a log contradicts the profile: what a role means is in doubt."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from herdbook.pipeline.health.judgeable import roles_needed
from herdbook.pipeline.health.rule import Rule
from herdbook.pipeline.vehicle.packs import unmarked


def roles_read(rule: Rule) -> frozenset[str]:
    """Every role that the rule's verdict rests on: its own, those that may stand in, and those of its metrics."""
    return frozenset(role for entry in (*rule.roles, *roles_needed(rule)) for role in entry.split("|"))


def why_in_doubt(rule: Rule, doubts: Mapping[str, str]) -> str:
    """Why this rule may not judge, "" when none of its roles is in doubt. doubts: reason by role."""
    read = roles_read(rule) if doubts else frozenset()
    return next((why for role, why in doubts.items() if role in read), "")


def blocked(rules: Iterable[Rule], doubts: Mapping[str, str]) -> Iterator[tuple[Rule, str]]:
    """Rules that may not judge, or not every pack, with why; of several packs each reason names its own."""
    by_pack: dict[int, dict[str, str]] = {}
    for name, why in doubts.items():
        pack, role = unmarked(name)
        by_pack.setdefault(pack, {})[role] = why
    for rule in rules:
        for of_one in by_pack.values():
            if why := why_in_doubt(rule, of_one):
                yield rule, why
