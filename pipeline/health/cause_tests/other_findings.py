"""Told by another finding of the same vehicle: that it is there, at how many places, and at the same times."""

from __future__ import annotations

from collections.abc import Sequence

from herdbook.pipeline.health.cause import CauseTest, Evidence, Seen, Standing
from herdbook.pipeline.health.sentences import counted

MOST_TITLES = 3

NEAR_US = 1_000_000  # two windows so far apart belong to one event: engineering choice


def also_found(*rules: str, same_item: bool = False, rules_out: bool = False, tells: bool = True) -> CauseTest:
    """Another rule has a finding on this vehicle. same_item: about the same group or side.

    rules_out: that the rules were all judged and found nothing speaks against the cause. tells: that they found nothing
    is told as looked for and not seen; False where the cause is often too small to be found by them."""

    def judge(evidence: Evidence) -> Seen:
        for rule in rules:
            items = evidence.found.get(rule, frozenset())
            if items and (not same_item or evidence.item in items):
                return Seen(Standing.SUPPORTED, "another finding says so", rule=rule)
        refused = [rule for rule in rules if rule in evidence.refused]
        if len(refused) == len(rules):
            return Seen(Standing.NOT_RECORDED, f"{_titles(rules)} would tell, and could not be judged")
        if refused:
            return Seen(Standing.OPEN, f"{_titles(refused)} could not be judged, and nothing else tells it")
        quiet = Standing.NOT_SEEN if tells else Standing.OPEN
        return Seen(Standing.CONTRADICTED if rules_out else quiet, f"no finding {_titles(rules)} on this vehicle")

    return CauseTest((), judge)


def found_at(rule: str, least: int, place: str, words: str, quiet: str) -> CauseTest:
    """A rule has findings about at least so many places of this vehicle. place: what one is called, "message"; words,
    quiet: what follows from it, and what is said where fewer have."""

    def judge(evidence: Evidence) -> Seen:
        n = len(
            {item.split(" ", maxsplit=1)[0] if place == "message" else item for item in evidence.found.get(rule, ())}
        )
        if n >= least:
            return Seen(Standing.SUPPORTED, f"{counted(n, place)} show it: {words}")
        return Seen(Standing.NOT_SEEN, quiet)

    return CauseTest((), judge)


def at_the_same_time(*rules: str) -> CauseTest:
    """Another finding has a window that overlaps one of this finding's."""

    def judge(evidence: Evidence) -> Seen:
        for rule in rules:
            for start, end in evidence.others.get(rule, ()):
                for a, b in evidence.spans:
                    if start <= b + NEAR_US and a <= end + NEAR_US:
                        return Seen(Standing.SUPPORTED, "a finding of the same moments", max(a, start), rule=rule)
        if all(rule in evidence.refused for rule in rules):
            return Seen(Standing.NOT_RECORDED, "the rules that would tell could not judge this vehicle")
        return Seen(Standing.NOT_SEEN, "no other finding has a window of the same moments")

    return CauseTest((), judge)


def _titles(rules: Sequence[str]) -> str:
    """“A group that leaks” or “A group out of balance”; the rest of many as a count."""
    from herdbook.pipeline.health.rules import all_rules  # the rules' files name these tests

    titles = [f"“{all_rules()[rule].title}”" for rule in rules]
    if len(titles) > MOST_TITLES:
        titles = [*titles[:MOST_TITLES], f"{len(titles) - MOST_TITLES} others"]
    return " or ".join(titles)
