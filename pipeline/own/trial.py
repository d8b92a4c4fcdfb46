"""Own rules and metrics tried: their form, their cases, and every function test_... that stands in their files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.rule import NotAssessed, Record, Rule
from herdbook.pipeline.health.rule_form import CASES
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.own.form import rule_lacks
from herdbook.pipeline.own.guard import guarded, in_short
from herdbook.pipeline.own.load import Own


@dataclass(frozen=True, slots=True)
class Trial:
    """One thing that was tried. wrong: "" where it is as it should be."""

    name: str
    what: str
    wrong: str = ""


def try_own(own: Own, name: str = "") -> Iterator[Trial]:
    """All that is the store's own, or one by its id; what is broken comes first."""
    for b in own.broken:
        if name in ("", b.name):
            yield Trial(b.name, f"{b.kind} in {b.where}", b.why)
    for one in own.sets:
        if name in ("", one):
            yield Trial(one, "its form")
            yield from _functions(own, one)
    metrics = {n for s in (*all_sets().values(), *own.sets.values()) for n in s.gives}
    for rule in own.as_written.values():
        if name in ("", rule.id):
            yield Trial(rule.id, "its form", "; ".join(rule_lacks(rule, metrics)))
            yield from _cases(rule, own.origins[rule.id])
            yield from _functions(own, rule.id)
    for path in own.chemistries:
        if name in ("", path.name):
            yield Trial(path.name, "its form")


def _cases(rule: Rule, origin: str) -> Iterator[Trial]:
    try:
        cases = rule.cases()
        records = {kind: tuple(getattr(cases, kind)) for kind in CASES}
    except Exception as error:
        yield Trial(rule.id, "its cases", f"they cannot be made: {in_short(error)}")
        return
    for kind, held in records.items():
        if not held:
            yield Trial(rule.id, kind, "there is none: give at least one record")
        for k, record in enumerate(held, start=1):
            yield Trial(rule.id, f"{kind} {k}", _against(rule, origin, kind, record))


def _against(rule: Rule, origin: str, kind: str, record: object) -> str:
    if not isinstance(record, Record):
        return f"{type(record).__name__} in place of a record"
    said, again = apply(guarded(rule, origin), record), apply(guarded(rule, origin), record)
    if said != again:
        return "it says something else when asked again"
    if isinstance(said, NotAssessed):
        fails = origin in said.reason
        return f"not assessed: {said.reason}" if kind != "unassessed_on" or fails else ""
    if kind == "unassessed_on":
        return "it judges this record"
    if kind == "quiet_on":
        return f"it finds: {said[0].statement}" if said else ""
    return "" if said else "it finds nothing"


def _functions(own: Own, name: str) -> Iterator[Trial]:
    for key, function in sorted(vars(own.modules[name]).items()):
        if key.startswith("test_") and callable(function):
            try:
                function()
            except Exception as error:
                yield Trial(name, key, in_short(error))
            else:
                yield Trial(name, key)
