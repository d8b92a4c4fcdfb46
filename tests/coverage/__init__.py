"""How often a stated 95 % interval holds the truth: Monte Carlo over sampling, noise and correlation of real logs.

`python -m tests.coverage` (make coverage) writes TABLE.md; test_coverage.py runs a fast version of each estimator. The
folder is the registry: every module with CASES counts.
"""

from __future__ import annotations

from importlib import import_module
from pkgutil import iter_modules

from tests.coverage.case import Case


def all_cases() -> list[Case]:
    names = sorted(m.name for m in iter_modules(__path__))
    modules = [import_module(f"{__name__}.{n}") for n in names if not n.startswith(("test_", "__", "case"))]
    return [case for module in modules for case in module.CASES]
