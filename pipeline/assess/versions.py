"""Versions of what results depend on, set by hand: who changes what a number means raises the number here or beside it.

A vehicle's stretch is measured again when a version that its numbers depend on changed, and not because a file was
moved, renamed or commented. `tests/test_versions.py` fails when code changes and its version does not.
"""

from __future__ import annotations

import hashlib
from functools import cache

from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.vehicle.chemistry import chemistries, chemistry_version
from herdbook.pipeline.vehicle.figures import PackFigures

ROOMS = {
    "samples": 1,  # from parts to sessions: roles, units, signals, merging, cadence, cutting
    "science": 22,  # the formulas
    "measuring": 13,  # what metric sets share
    "judging": 39,  # what rules share, scoring included
}
MEASURED_BY = ("samples", "science", "measuring")

# Stores from before there were versions name measurements by a hash over files. These are the same measurements as
# the versions of FIRST, so that such a store goes on without measuring its record again. One figure differs since: the
# activation energy that the heat of a pack took where its profile names none; such packs are measured again.
BEFORE_VERSIONS = "30e76c6916ab05bb0d3dcbebc51c2d8349aada6fd0d7c1bce268d729fc464575"
FIRST = "9f88a3aae0059bf3da3c50a1ce2e7d5f7c9b19175adafa5fb07ad53b00d21cbd"  # measuring_version() of that time


# Version 2 of LFP brought limits of cells for packs whose profile gives none; who gives them all measures as before.
LFP_WITH_LIMITS = 2
LIMITS = ("cell_min_v", "cell_max_v", "charge_min_c", "charge_max_c", "discharge_min_c", "discharge_max_c")


@cache
def measuring_version() -> str:
    """Of all that sessions and metrics depend on besides logs, profile and chemistry; SHA-256, hex."""
    rooms = [f"{name} {ROOMS[name]}" for name in MEASURED_BY]
    return _digest([*rooms, *(f"{s.id} {s.version}" for s in all_sets().values())])


@cache
def rule_set_version(own: str = "") -> str:
    """Of all that a verdict depends on besides the record: SHA-256, hex, over versions and limits. own: digest of a
    store's own rules (OwnFiles.judging), "" where it has none."""
    if own:
        return _digest([rule_set_version(), f"own {own}"])
    rules = [
        f"{r.id} {r.version} " + " ".join(f"{x.name}={x.value!r}{x.unit}" for x in r.limits)
        for r in all_rules().values()
    ]
    tables = [f"{name} {chemistry_version(name)}" for name in chemistries()]
    return _digest([f"judging {ROOMS['judging']}", measuring_version(), *rules, *tables])


def accepted(pack: PackFigures | None, own: str = "") -> tuple[str, ...]:
    """Names under which measurements of such a pack are as good as today's; today's first. None: no pack is known.
    own: digest of a store's own metric sets (OwnFiles.measuring)."""
    known = chemistry_version(pack.chemistry) if pack else 0
    names = [f"{measuring_version()} {known}"]
    if pack is not None and known == LFP_WITH_LIMITS and pack.chemistry.upper() == "LFP" and pack.given(*LIMITS):
        names.append(f"{measuring_version()} {LFP_WITH_LIMITS - 1}")
        known = LFP_WITH_LIMITS - 1
    if measuring_version() == FIRST and known in (0, 1) and pack is not None and pack.given("cell_r_ea_ev"):
        names.append(BEFORE_VERSIONS)
    return tuple(f"{name} own {own}" if own else name for name in names)


def _digest(lines: list[str]) -> str:
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()
