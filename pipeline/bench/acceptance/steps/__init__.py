"""The kinds of steps that a test plan may have: one file a kind, ending in `STEP = StepKind(...)`; the folder is the
registry. A step is recognised by roles alone, so that one plan serves every vehicle whose profile maps them."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pkgutil import iter_modules

from herdbook.pipeline.bench.acceptance.step_kind import StepKind


@cache
def all_kinds() -> dict[str, StepKind]:
    """Every kind by its id. Raises: ValueError where a file's kind is not named as the file."""
    kinds: dict[str, StepKind] = {}
    for name in sorted(m.name for m in iter_modules(__path__)):
        found: StepKind = import_module(f"{__name__}.{name}").STEP
        if found.id != name:
            raise ValueError(f"acceptance/steps/{name}.py: its step calls itself {found.id!r}; use the file's name")
        kinds[found.id] = found
    return kinds
