"""The checks of a profile, one file a subject, each ending in CHECKS. The folder is the registry.

Bands follow from physics and from what sound sensors of any make may be off, as their lines say. MOSTLY and SELDOM part
at a half; every other number without a reason beside it is an engineering choice.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pkgutil import iter_modules

from herdbook.pipeline.vehicle.contact.check import Check


@cache
def all_checks() -> tuple[Check, ...]:
    """Every check, by file and then in the order of the file."""
    names = sorted(m.name for m in iter_modules(__path__))
    return tuple(check for name in names for check in import_module(f"{__name__}.{name}").CHECKS)
