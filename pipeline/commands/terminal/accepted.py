"""A test of a unit on the terminal: each value in two lines, in words, so that it reads the same in any width."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from herdbook.pipeline.commands.terminal import screen

if TYPE_CHECKING:
    from herdbook.pipeline.bench.acceptance.accept import Acceptance, StepResult
    from herdbook.pipeline.bench.acceptance.verdicts import Judged

BEFORE = 13  # columns for the verdict, before what was measured


def show(found: Acceptance) -> None:
    from herdbook.pipeline.reports.bench.certificate_page import at_most

    head = f"{found.vehicle}: {found.verdict.value.upper()} by “{found.plan.name}”, version {found.plan.version}."
    if found.verdict.value == "passed":
        head += f" Chance that a value truly lies outside its limits: {at_most(found.wrong_acceptance)}."
    screen.say(head, style="bold")
    for text in found.against:
        screen.say(f"FAILED by a finding of the fleet's rules: {text}", style="bold")
    for log, why, do in found.refused:
        screen.say(f"{log} could not be used, so that the unit cannot pass: {why.rstrip('.')}. {do.rstrip('.')}.")
    for used in found.logs:
        if used.cut:
            screen.say(f"{used.cut[:1].upper()}{used.cut[1:].rstrip('.')}. What it lacks, nobody knows.")
    if found.doubts:
        screen.say("The logs speak against the profile")
        for text in dict.fromkeys(found.doubts):
            screen.point(f"{text.rstrip('.')}.")
    for step in found.steps:
        screen.say(f"{step.step.name}: {step.verdict.value}", style="bold")
        if step.lacking:
            may = "; the plan lets a unit pass without it" if step.step.optional else ""
            screen.point(f"{step.lacking}{may}.", mark=" " * BEFORE)
        else:
            for verdict, lines in values_of(step):
                screen.point(lines[0], mark=f"{verdict:<{BEFORE}}")
                for line in lines[1:]:
                    screen.point(line, mark=" " * BEFORE)


def values_of(result: StepResult) -> Iterator[tuple[str, list[str]]]:
    """Verdict and lines of each value of a step; of groups that passed one, the one nearest to its limits."""
    from herdbook.pipeline.bench.acceptance.verdicts import Verdict

    for check in dict.fromkeys(row.check for row in result.rows):
        rows = [row for row in result.rows if row.check == check]
        sound = [row for row in rows if row.verdict is Verdict.PASSED]
        if len(sound) > 2:
            yield _value(max(sound, key=lambda row: row.outside or 0.0), len(sound))
            rows = [row for row in rows if row.verdict is not Verdict.PASSED]
        yield from (_value(row, 0) for row in rows)


def _value(row: Judged, of: int) -> tuple[str, list[str]]:
    from herdbook.pipeline.reports.bench.certificate import item_words, measured_words
    from herdbook.pipeline.reports.bench.certificate_page import chance, guard, limits
    from herdbook.pipeline.reports.words import numbers

    about = {"unit": row.check.unit, "low": row.check.limits.low, "high": row.check.limits.high}
    accept = row.accept
    about |= {"accept_low": accept.low if accept else None, "accept_high": accept.high if accept else None}
    item = item_words(row.check, row.item)
    item += f" (nearest to its limit of {of} that passed)" if of else ""
    name = measured_words(row.check)
    value = "not measured" if row.value is None else numbers.amount(row.value, row.check.unit, row.se)
    second = f"{value}; limit {limits(about)}"
    if wide := guard(about):
        second += ", counted" if wide.startswith("none") else f", guard band {wide}"
    if row.outside is not None:
        second += f"; chance outside {chance(row.outside)}"
    third = [f"{row.reason}."] if row.reason else []
    return row.verdict.value, [f"{name}, {item}" if item else name, second, *third]
