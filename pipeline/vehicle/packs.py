"""Packs side by side in one vehicle: the first is [pack] and [roles], each further one an [[other_pack]].

A further pack is read by a profile of its own: the vehicle's, with that pack's figures and signals in place of the
first's. What is measured of it has the first's names under a mark (pack_2_cell_r_ratio), so that nothing that asks for
a figure of the first pack is ever given another's; what is found of it names it in words ("pack 2, cell 7").
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Protocol, Self, TypeVar

TABLE = "other_pack"  # of a profile: a list of tables, keys of [pack] and roles
PACK_ROLES = (
    *("pack_voltage", "pack_current", "pack_soc", "charge_limit", "discharge_limit", "contactor_state", "bms_state"),
    *("bms_fault", "insulation_resistance", "cell_voltage", "cell_temp", "cell_bleed", "bms_temp"),
)
_MARKED = re.compile(r"pack_(\d+)_(.+)", re.DOTALL)
_ITEM = re.compile(r"pack (\d+)(?:, (.*))?", re.DOTALL)


def marked(pack: int, name: str) -> str:
    """A metric, an event's kind or a role as it is called when it is of this pack; the first's stand as they are."""
    return name if pack == 1 else f"pack_{pack}_{name}"


def unmarked(name: str) -> tuple[int, str]:
    """Of which pack, and the name without the mark: pack_2_charge_ah -> 2, charge_ah."""
    found = _MARKED.fullmatch(name)
    return (int(found[1]), found[2]) if found else (1, name)


def of_this_pack(doubts: Mapping[str, str], pack: int) -> dict[str, str]:
    """Reasons by role for what is read of this pack: those of its own signals, under their plain names, and those of
    the vehicle's."""
    by = [(unmarked(role), why) for role, why in doubts.items()]
    return {role: why for (n, role), why in by if n == pack or (n == 1 and role not in PACK_ROLES)}


def item_of(pack: int, item: str) -> str:
    """What a finding is about, with its pack: "pack 2, cell 7"."""
    return f"pack {pack}, {item}" if item else f"pack {pack}"


def pack_of(item: str) -> tuple[int, str]:
    """The pack that a finding's item names, and the item within it; 0 where it names none."""
    found = _ITEM.fullmatch(item)
    return (int(found[1]), found[2] or "") if found else (0, item)


class WithPacks(Protocol):
    """A profile (pipeline/vehicle/profile.py)."""

    @property
    def pack(self) -> dict[str, object]: ...

    @property
    def others(self) -> tuple[Self, ...]: ...


P = TypeVar("P", bound=WithPacks)


def same_type(one: P, other: P) -> bool:
    """Are two packs of one type, so that what a fleet's first packs are like holds for the other, too?"""
    return one.pack == other.pack


def all_of(profile: P) -> tuple[P, ...]:
    """The profile of each pack that is mapped, the first's before all."""
    return (profile, *profile.others)


def as_pack(profile: P, pack: int) -> P | None:
    """The profile by which this pack is read; None where none such is mapped."""
    packs = all_of(profile)
    return packs[pack - 1] if 1 <= pack <= len(packs) else None
