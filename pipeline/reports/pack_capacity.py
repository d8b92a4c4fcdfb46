"""Capacity of each pack that the vehicle had, as the dossier and the history give it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.health.pack.capacity import GAIN, Measured, capacities
from herdbook.pipeline.health.pooled import pool
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import micros

if TYPE_CHECKING:
    from herdbook.pipeline.health.rule import Record

TABLE = 0.015 / 0.95  # of charge read from a rest near empty, shared by all measurements; engineering choice


@dataclass(frozen=True, slots=True)
class PackCapacity:
    """Capacity of one pack, % of rated charge, with one standard error. ah: in Ah. chains: in time order."""

    pack: str
    pct: float
    se: float
    ah: float
    chains: list[Measured]


def pack_capacities(record: Record | None, installs: list[Row], rated_ah: float) -> list[PackCapacity]:
    """Each pack's capacity from charge counted between full and nearly empty; nothing across an exchange of packs."""
    found: dict[str, list[Measured]] = {}
    for chain in capacities(record) if record else []:
        inside = [r for r in installs if r["component"] == "pack" and _touches(chain, r)]
        if len(inside) < 2:
            found.setdefault(inside[0]["serial"] if inside else "", []).append(chain)
    out = []
    for pack, chains in found.items():
        ah, own = pool(np.array([c.ah for c in chains]), np.array([c.random_se for c in chains]))
        pct = 100 * ah / rated_ah
        se = float(np.hypot(100 * own / rated_ah, pct * np.hypot(GAIN, TABLE)))
        out.append(PackCapacity(pack, float(pct), se, float(ah), chains))
    return out


def _touches(chain: Measured, install: Row) -> bool:
    return micros(install["from_t"]) <= chain.end and micros(install["to_t"]) >= chain.start
