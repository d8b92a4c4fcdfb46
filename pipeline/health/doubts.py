"""Rules that may not judge because a log contradicts the profile: what a role means is in doubt."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from herdbook.pipeline.health.rule import Rule


def why_in_doubt(rule: Rule, doubts: Mapping[str, str]) -> str:
    """Why this rule may not judge, "" when none of its roles is in doubt. doubts: reason by role."""
    return next((doubts[role] for role in rule.roles if role in doubts), "")


def blocked(rules: Iterable[Rule], doubts: Mapping[str, str]) -> Iterator[tuple[Rule, str]]:
    for rule in rules:
        if why := why_in_doubt(rule, doubts):
            yield rule, why
