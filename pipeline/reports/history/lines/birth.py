"""The lines about the unit's birth: its acceptance test, and what of it has changed by more than its errors."""

from __future__ import annotations

from collections.abc import Iterator

from herdbook.pipeline.bench.acceptance.since_birth import SinceBirth, since_birth
from herdbook.pipeline.reports.facts import pack_seen_last
from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.statement import Source, Statement
from herdbook.pipeline.reports.words import numbers


def lines(given: HistoryContext) -> Iterator[Statement]:
    """Nothing where no test is on record: then the file has no such section."""
    facts = given.facts
    if not given.births:
        return
    pack = pack_seen_last(facts)
    found = since_birth(given.births, facts.metrics, [s["start_t"] for s in facts.sessions], pack)
    yield from _tests(given)
    by_figure: dict[str, list[SinceBirth]] = {}
    for f in found:
        by_figure.setdefault(f.birth.figure, []).append(f)
    for group in by_figure.values():
        yield _figure(given, group)
    if other := next((f for f in found if f.other_pack), None):
        text = (
            f"Pack {other.birth.pack} was tested and pack {other.other_pack} was seen last: the two are not compared."
        )
        yield Statement("birth", text, "recorded", topic="Another pack")


def _tests(given: HistoryContext) -> Iterator[Statement]:
    seen = {b.acceptance: b for b in given.births}
    for b in seen.values():
        place = f" on line {b.line}" if b.line else ""
        by = f" by {b.who}" if b.who else ""
        text = (
            f"On {b.day} the unit was held{place}{by} against the test plan “{b.plan}”, version {b.plan_version}: "
            f"{b.verdict}. The limits of a plan are its maker's; a unit that passed was not proven safe."
        )
        yield Statement(
            "birth",
            text,
            "computed",
            b.from_t,
            b.to_t,
            logs=b.logs,
            topic="Acceptance test",
            source=Source("acceptances", {"acceptance": (b.acceptance,)}),
        )


def _figure(given: HistoryContext, group: list[SinceBirth]) -> Statement:
    """Of a figure that every group has, the group that has moved most."""
    f = max(group, key=lambda one: (one.size, one.change is not None))
    b = f.birth
    text = f"{f.words[:1].upper()}{f.words[1:]}: {numbers.amount(b.value, b.unit, b.se)} at birth"
    if f.now is None or f.when is None:
        text += ", not measured since."
    else:
        text += f", {numbers.amount(f.now.value, f.now.unit, f.now.se)} on {given.reader.day(f.when)}"
        text += f"; {f.not_compared}: not compared." if f.not_compared else f"{_meant(f)}."
    if len(group) > 1:
        moved = sum(one.beyond_errors for one in group)
        text += f" It is the one of {len(group)} that has moved most; {moved} moved by more than their errors."
    value = f.now.value if f.now else b.value
    se = f.now.se if f.now else b.se
    return Statement(
        section="birth",
        text=text,
        basis="computed",
        start=b.from_t,
        end=f.when or b.to_t,
        value=value,
        unit=b.unit,
        se=se,
        logs=_logs(given, f),
        source=Source("figures_since_birth", {"figure": (b.figure,)}),
        topic="At birth and now",
    )


def _meant(f: SinceBirth) -> str:
    if f.change == 0:
        return ", as then"
    if f.change is None or f.change_se is None:
        return "; whether that is a change is not known, for want of an error"
    return (
        "; that is more than their errors explain" if f.beyond_errors else "; no more apart than their errors explain"
    )


def _logs(given: HistoryContext, f: SinceBirth) -> tuple[str, ...]:
    later = next((tuple(s["logs"]) for s in given.facts.sessions if s["start_t"] == f.when), ())
    return (*f.birth.logs, *later)
