"""What a vehicle's owner would have to log for a question to be answered: beside every score that is withheld."""

from __future__ import annotations

from collections.abc import Iterable

from herdbook.pipeline.health.rule import Rule

FLEET = "five vehicles of the type and fit a fleet reference (herdbook store refit)"
OF_SUBSYSTEM = {
    "cells": "charges to their end, with the rest after them",
    "pack": "charges to their end, with the rest after them",
    "charging": "charges to their end, with the rest after them",
    "thermal": "rides and charges from a cold start, with an hour of rest after them",
    "braking": "more rides",
    "drive": "more rides",
    "remote link": "more rides",
    "data": "more rides and charges",
}


def habit_of(rule: Rule, reason: str) -> str:
    """What to log so that the rule can judge; reason: why it could not."""
    return FLEET if "fleet reference" in reason else rule.habit or OF_SUBSYSTEM[rule.subsystem]


def withheld(refused: Iterable[tuple[Rule, str]]) -> str:
    """Why there is no score while these rules could not judge, and what would let them."""
    every = list(refused)
    titles = [f"“{rule.title}”" for rule, _ in every[:2]]
    more = f" and {len(every) - 2} more" if len(every) > 2 else ""
    habits = ", and ".join(dict.fromkeys(habit_of(rule, reason) for rule, reason in every))
    it = "it" if len(every) == 1 else "them"
    return f"{', '.join(titles)}{more} could not be judged; to have {it} judged, log {habits}"
