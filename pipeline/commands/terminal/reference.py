"""Pages of the manual that are made from the code they describe: rules, metrics, and what a profile may hold.

Markdown, as the written pages of pipeline/manual; a test holds that every rule, metric, figure and role is in them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

TITLES = {
    "profile": "Every key and role of a profile",
    "rules": "The health rules, with limits and sources",
    "metrics": "The figures that are measured",
}


def page(topic: str) -> str:
    """One page. KeyError for a topic that is none."""
    made: dict[str, Callable[[], Iterator[str]]] = {"profile": _profile, "rules": _rules, "metrics": _metrics}
    return "\n".join([f"# {TITLES[topic]}", "", *made[topic](), ""])


def _rules() -> Iterator[str]:
    from herdbook.pipeline.health.rules import all_rules
    from herdbook.pipeline.health.severity import SUBSYSTEMS
    from herdbook.pipeline.reports.words import numbers

    yield 'Each limit can be moved by a profile: `"RULE.LIMIT" = value` under `[limits]`. A limit says where it is'
    yield "from; *engineering choice* means that no publication was at hand. `herdbook rules RULE` shows one, as a"
    yield "profile sets it."
    for subsystem in SUBSYSTEMS:
        yield f"\n## {subsystem.capitalize()}"
        for rule in (r for r in all_rules().values() if r.subsystem == subsystem):
            yield f"\n### {rule.title}\n\n`{rule.id}`, at worst {rule.severity}. {rule.meaning}\n"
            if rule.when:
                yield from (f"- {severity}: {words}" for severity, words in rule.when)
                yield ""
            limits = ((f"`{x.name}`", f"{x.value:g} {numbers.unit(x.unit)}".rstrip(), x.why) for x in rule.limits)
            yield from _table(("limit", "value", "why"), limits)
            for title, lines in (("Likely causes", rule.causes), ("Measure next", rule.bench)):
                yield f"\n{title}: {'; '.join(str(line).rstrip('.') for line in lines)}."
            yield f"\nSource: {rule.source}."


def _metrics() -> Iterator[str]:
    from herdbook.pipeline.metrics import all_sets
    from herdbook.pipeline.metrics.set import Subject
    from herdbook.pipeline.reports.words import numbers

    yield "One row of the table `metrics` is a figure of a session, with its standard error where it has one. What a"
    yield "vehicle does not log is not measured, and never zero."
    for subject in Subject:
        yield f"\n## {subject}"
        for one in (s for s in all_sets().values() if s.subject is subject):
            roles = ", ".join(f"`{role}`" for role in one.needs) or "what there is"
            yield f"\n### `{one.id}`\n\nFrom {roles}; in {', '.join(one.kinds) or 'logs'}. Source: {one.source}.\n"
            rows = ((f"`{name}`", numbers.unit(unit), words) for name, (unit, words) in one.gives.items())
            yield from _table(("figure", "unit", "meaning"), rows)


def _profile() -> Iterator[str]:
    from herdbook.pipeline.reports.words import numbers
    from herdbook.pipeline.vehicle.profile_tables import reference
    from herdbook.pipeline.vehicle.roles import ROLES

    yield "## Keys\n"
    yield from (
        line.replace("degC", numbers.unit("degC")).replace("mOhm", numbers.unit("mOhm")) for line in reference()
    )
    yield '\n## Roles\n\nUnder `[roles]` a role is mapped to a signal: `pack_current = "BMS_Pack.PackCurrent"`.'
    yield "Other forms: `dbc_demo/README.md`. Pack current is positive on discharge, motor current negative while"
    yield "braking.\n"
    rows = (
        (
            f"`{r.name}`",
            r.index,
            "" if r.unit == "state" else numbers.unit(r.unit),
            f"{r.meaning} {', '.join(r.states)}".strip(),
        )
        for r in ROLES.values()
    )
    yield from _table(("role", "one a", "unit", "meaning"), rows)


def _table(columns: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> Iterator[str]:
    yield f"| {' | '.join(columns)} |"
    yield f"|{'---|' * len(columns)}"
    for row in rows:
        yield f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in row)} |"
