"""What the identity signals of one log say: serials and versions of vehicle, pack and controller, and when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from herdbook.decoders.decoding.columns import Table
from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.arrays import Times
from herdbook.pipeline.lake.layout import Layout, values
from herdbook.pipeline.lake.part import Part
from herdbook.pipeline.vehicle.profile import Profile

COMPONENTS = {"vehicle_serial": "vehicle", "pack_serial": "pack", "controller_serial": "controller"}
IDENTITY = (*COMPONENTS, "pack_firmware", "controller_firmware", "pack_hardware", "controller_hardware")
UNSET = {0, 0xFF, 0xFFFF, 0xFFFFFF, 0xFFFFFFFF, 0xFFFFFFFFFF, 0xFFFFFFFFFFFF, 2**63 - 1, 2**64 - 1}


@dataclass(frozen=True, slots=True)
class SerialSeen:
    """An identity signal's value in one log; from_t, to_t: microseconds UTC, first and last time seen."""

    component: str
    serial: str
    from_t: int
    to_t: int
    samples: int


class Serials:
    """What the identity signals of one log say. Unset memory (0, all ones) is no serial."""

    def __init__(self, profile: Profile, layout: Layout) -> None:
        slots = {(message, s.signal): s for message, some in layout.messages.items() for s in some}
        known = [(m, slots.get((m.message, m.signal))) for m in profile.roles if m.role in IDENTITY]
        self.mappings = [(m, slot) for m, slot in known if slot is not None]
        self.wanted: dict[str, list[str]] = {}
        for m, _ in self.mappings:
            self.wanted.setdefault(m.message, []).append(m.signal)
        self.seen: dict[int, dict[int, list[int]]] = {i: {} for i in range(len(self.mappings))}

    def add(self, message: str, t: Times, columns: Mapping[str, Column]) -> None:
        for i, (m, _) in enumerate(self.mappings):
            if m.message == message and m.signal in columns:
                _add_serials(self.seen[i], t, columns[m.signal])

    def add_counts(self, message: str, table: Table) -> None:
        """Rows on their way into a part, as Decoder.arrays(counts=True) gives them."""
        mine = [(m.signal, slot) for m, slot in self.mappings if m.message == message and m.signal in table.columns]
        if mine:
            kept = {signal: (table.columns[signal], slot) for signal, slot in mine}
            self.add(message, table.t, {n: Column(values(slot, c.values), c.valid) for n, (c, slot) in kept.items()})

    def found(self) -> tuple[SerialSeen, ...]:
        out = []
        for i, (m, _) in enumerate(self.mappings):
            unset = set(m.not_available) | (UNSET if m.role in COMPONENTS else set())
            component = COMPONENTS.get(m.role, m.role)
            seen = sorted(self.seen[i].items())
            out += [SerialSeen(component, str(k), a, b, n) for k, (a, b, n) in seen if k not in unset]
        return tuple(out)


def serials_in(part: Part, log: str, profile: Profile) -> tuple[SerialSeen, ...]:
    """The same, read back from a part."""
    serials = Serials(profile, part.layout)
    for piece in part.rows(serials.wanted, log, -(2**63), 2**63 - 1):
        serials.add(piece.message, piece.t, piece.columns)
    return serials.found()


def _add_serials(seen: dict[int, list[int]], times: Times, column: Column) -> None:
    """First and last time and number of samples, by value."""
    there = slice(None) if column.valid is None else column.valid
    values, t = column.values[there], times[there]
    if len(values) and (values == values[0]).all():  # as good as always, and sorting takes longer
        found = [(values[0], 0, len(values) - 1, len(values))]
    else:
        kinds, first, count = np.unique(values, return_index=True, return_counts=True)
        last = len(values) - 1 - np.unique(values[::-1], return_index=True)[1]
        found = list(zip(kinds.tolist(), first.tolist(), last.tolist(), count.tolist(), strict=True))
    for k, a, b, n in found:
        old = seen.setdefault(int(k), [int(t[a]), int(t[b]), 0])
        old[0], old[1], old[2] = min(old[0], int(t[a])), max(old[1], int(t[b])), old[2] + n
