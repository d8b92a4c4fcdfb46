"""The form that every rule is held to: what one must still state, each in one line to read."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from herdbook.pipeline.health.rule import Rule
from herdbook.pipeline.health.severity import SUBSYSTEMS, Severity
from herdbook.pipeline.vehicle.roles import ROLES

CASES = ("fires_on", "quiet_on", "unassessed_on")


def lacking(rule: Rule, metrics: Collection[str], cases: bool = True) -> Iterator[str]:
    """metrics: every name that a metric set gives. cases: make the rule's own cases and ask for one of each kind."""
    if rule.subsystem not in SUBSYSTEMS:
        yield f"subsystem: {rule.subsystem!r} is none of {', '.join(SUBSYSTEMS)}"
    if not isinstance(rule.severity, Severity):
        yield "severity: the worst the rule may say, a member of Severity"
    for field in ("title", "meaning"):
        if not getattr(rule, field):
            yield f"{field}: in plain words, for the person who reads the finding"
    if not rule.source:
        yield "source: the paper, standard or data sheet behind method and limits, or 'definition: this project'"
    if not rule.causes:
        yield "causes: likely ones, most likely first"
    if not rule.bench:
        yield "bench: what to measure next"
    if not rule.limits:
        yield "limits: every number the rule judges by, so that a profile can move it"
    for limit in rule.limits:
        if not limit.unit:
            yield f"limit {limit.name}: its unit ('1' for a ratio)"
        if not limit.why:
            yield f"limit {limit.name}: why; a source, 'common practice' or 'engineering choice'"
    if len({limit.name for limit in rule.limits}) < len(rule.limits):
        yield "limits: two have the same name"
    if unknown := set(rule.roles) - set(ROLES):
        yield f"roles: {', '.join(sorted(unknown))} are not in vehicle/roles.py"
    if not rule.needs:
        yield "needs: a rule that needs no metric cannot tell absence from health"
    if ungiven := set(rule.needs) - set(metrics):
        yield f"needs: no metric set gives {', '.join(sorted(ungiven))}"
    made = rule.cases() if cases else None
    for kind in CASES if made is not None else ():
        if not getattr(made, kind):
            yield f"cases: at least one record under {kind}"
    if not rule.cautions and (rule.severity == Severity.STOP_USE or rule.subsystem in ("thermal", "braking")):
        yield "cautions: packs burn and brakes fail; say what to be careful of"
