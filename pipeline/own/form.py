"""The form that somebody's own rule or metric set must have before it is used: what it lacks, each in one line."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from herdbook.pipeline.health.rule import Rule
from herdbook.pipeline.health.rule_form import lacking
from herdbook.pipeline.metrics.set import MetricSet, Subject
from herdbook.pipeline.own.files import PREFIX
from herdbook.pipeline.vehicle.roles import ROLES

KINDS = ("ride", "charge", "rest", "bench")


def rule_lacks(rule: Rule, metrics: Collection[str]) -> Iterator[str]:
    """metrics: names that sets give, ours and own ones. Cases are not made here."""
    if not rule.id.startswith(PREFIX):
        yield f"id: {rule.id!r} does not begin with {PREFIX}"
    if type(rule.version) is not int or rule.version < 1:
        yield "version: 1, and one more whenever it says something else about the same record"
    yield from lacking(rule, metrics, cases=False)


def set_lacks(found: MetricSet) -> Iterator[str]:
    if not found.id.startswith(PREFIX):
        yield f"id: {found.id!r} does not begin with {PREFIX}"
    if type(found.version) is not int or found.version < 1:
        yield "version: 1, and one more whenever its numbers come out differently"
    if not isinstance(found.subject, Subject):
        yield f"subject: one of {', '.join(f'Subject.{s.name}' for s in Subject)}"
    if not found.gives:
        yield "gives: every metric by its name, with unit and meaning"
    for name, said in found.gives.items():
        if not name.startswith(PREFIX):
            yield f"gives: {name!r} does not begin with {PREFIX}"
        if not (isinstance(said, tuple) and len(said) == 2 and all(isinstance(x, str) and x for x in said)):
            yield f'gives: {name} needs its unit and its meaning: ("A", "What the number is."); a count has the unit 1'
    if unknown := set(found.needs) - set(ROLES):
        yield f"needs: {', '.join(sorted(unknown))} are no roles that a profile can map"
    if not found.kinds or set(found.kinds) - set(KINDS):
        yield f"kinds: of session that it applies to, of {', '.join(KINDS)}"
    if not found.source:
        yield "source: a publication, physics in a line, or 'definition: ours'"
