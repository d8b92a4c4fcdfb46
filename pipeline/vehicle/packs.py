"""Packs side by side in one vehicle: the first is [pack] and [roles], each further one an [[other_pack]].

A further pack is read by a profile of its own: the vehicle's, with that pack's figures and signals in place of the
first's. What is measured of it has the first's names under a mark (pack_2_cell_r_ratio), so that nothing that asks for
a figure of the first pack is ever given another's; what is found of it names it in words ("pack 2, cell 7").
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from herdbook.pipeline.vehicle.mapping import Mapping as RoleMapping
    from herdbook.pipeline.vehicle.profile import Profile

TABLE = "other_pack"
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


def item_of(pack: int, item: str) -> str:
    """What a finding is about, with its pack: "pack 2, cell 7"."""
    return f"pack {pack}, {item}" if item else f"pack {pack}"


def pack_of(item: str) -> tuple[int, str]:
    """The pack that a finding's item names, and the item within it; 0 where it names none."""
    found = _ITEM.fullmatch(item)
    return (int(found[1]), found[2] or "") if found else (0, item)


def with_others(first: Profile, others: Iterable[tuple[dict[str, object], tuple[RoleMapping, ...]]]) -> Profile:
    """The profile with its further packs, each as figures and roles; as it is where there are none."""
    given = list(others)
    if not given:
        return first
    packs = max(first.pack_figures.packs, 1 + len(given))
    first = replace(first, pack={**first.pack, "beside": packs})
    shared = tuple(m for m in first.roles if m.role not in PACK_ROLES)
    made = [
        replace(first, pack={**pack, "beside": packs}, roles=(*shared, *roles), number=number)
        for number, (pack, roles) in enumerate(given, start=2)
    ]
    return replace(first, others=tuple(made), whole=_joined(first, made))


def _joined(first: Profile, others: list[Profile]) -> Profile | None:
    """The packs as one, as large as all together, by which what concerns the vehicle as a whole is judged; None where
    not all are mapped, or their cells differ: then what joins packs and drive is not judged."""
    every = [first, *others]
    if len(every) < first.pack_figures.packs or not all(_same_cells(first, p) for p in others):
        return None
    sizes = [_rated_ah(p) for p in every]
    known = [x for x in sizes if x is not None]
    pack = {**first.pack, "beside": 1} | ({"rated_ah": sum(known)} if len(known) == len(sizes) else {})
    return replace(first, pack=pack)


def _rated_ah(profile: Profile) -> float | None:
    figures = profile.pack_figures
    return figures.rated_ah if figures.given("rated_ah") else None


def _same_cells(one: Profile, other: Profile) -> bool:
    kinds = [(p.pack_figures.of_chemistry, p.pack_figures.cells, p.pack_figures.cell_max_v) for p in (one, other)]
    return kinds[0] == kinds[1]


def same_type(one: Profile, other: Profile) -> bool:
    """Are two packs of one type, so that what a fleet's first packs are like holds for the other, too?"""
    return one.pack == other.pack


def all_of(profile: Profile) -> tuple[Profile, ...]:
    """The profile of each pack that is mapped, the first's before all."""
    return (profile, *profile.others)


def as_pack(profile: Profile, pack: int) -> Profile | None:
    """The profile by which this pack is read; None where none such is mapped."""
    packs = all_of(profile)
    return packs[pack - 1] if 1 <= pack <= len(packs) else None
