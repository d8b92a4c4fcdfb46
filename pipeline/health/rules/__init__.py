"""The health rules: one file a rule, each ending in `RULE = Rule(...)`; the folder is the registry, and what begins
with an underscore is shared by several. A rule may look at the record and its limits and at nothing else; tests/health
holds it to its form and to its own cases.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pkgutil import iter_modules

from herdbook.pipeline.health.rule import Rule

__all__ = ["all_rules"]


@cache
def all_rules() -> dict[str, Rule]:
    """Every rule by its id, in order of file name. Raises: ValueError for a file without a rule, or whose
    rule has another id."""
    rules: dict[str, Rule] = {}
    for name in sorted(m.name for m in iter_modules(__path__)):
        if name.startswith("_"):
            continue
        rule = getattr(import_module(f"{__name__}.{name}"), "RULE", None)
        if not isinstance(rule, Rule):
            raise ValueError(f"pipeline/health/rules/{name}.py: ends in no RULE = Rule(...)")
        if rule.id != name:
            raise ValueError(f"pipeline/health/rules/{name}.py: its rule calls itself {rule.id!r}; use the file's name")
        rules[rule.id] = rule
    return rules
