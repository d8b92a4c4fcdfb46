"""What the identity signals of one log say: serials and versions of vehicle, pack and controller, and when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from herdbook.decoders.decoding.columns import Table
from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.arrays import Bools, Times
from herdbook.pipeline.lake.layout import Layout, values
from herdbook.pipeline.lake.part import Part
from herdbook.pipeline.vehicle.profile import Profile

COMPONENTS = {"vehicle_serial": "vehicle", "pack_serial": "pack", "controller_serial": "controller"}
IDENTITY = (*COMPONENTS, "pack_firmware", "controller_firmware", "pack_hardware", "controller_hardware")
UNSET = {0, 0xFF, 0xFFFF, 0xFFFFFF, 0xFFFFFFFF, 0xFFFFFFFFFF, 0xFFFFFFFFFFFF, 2**63 - 1, 2**64 - 1}


@dataclass(frozen=True, slots=True)
class SerialSeen:
    """An identity signal's value in one log; from_t, to_t: microseconds UTC, first and last time seen. digits: of one
    signal that is written by a format, as it was written before there was one."""

    component: str
    serial: str
    from_t: int
    to_t: int
    samples: int
    digits: str = field(default="", compare=False)


class Serials:
    """What the identity signals of one log say. Unset memory (0, all ones) is no serial."""

    def __init__(self, profile: Profile, layout: Layout) -> None:
        self.slots = {(message, s.signal): s for message, some in layout.messages.items() for s in some}
        self.mappings = [m for m in profile.roles if m.role in IDENTITY and all(n in self.slots for n in m.reads)]
        self.wanted: dict[str, list[str]] = {}
        for m in self.mappings:
            names = self.wanted.setdefault(m.message, [])
            names += [signal for _, signal in m.reads if signal not in names]
        self.seen: list[dict[tuple[int, ...], list[int]]] = [{} for _ in self.mappings]

    def add(self, message: str, t: Times, columns: Mapping[str, Column]) -> None:
        for m, seen in zip(self.mappings, self.seen, strict=True):
            if m.message == message and all(signal in columns for _, signal in m.reads):
                _add_serials(seen, t, [columns[signal] for _, signal in m.reads])

    def add_counts(self, message: str, table: Table) -> None:
        """Rows on their way into a part, as Decoder.arrays(counts=True) gives them."""
        mine = [s for s in self.wanted.get(message, ()) if s in table.columns]
        if mine:
            kept = {s: (table.columns[s], self.slots[message, s]) for s in mine}
            self.add(message, table.t, {n: Column(values(slot, c.values), c.valid) for n, (c, slot) in kept.items()})

    def found(self) -> tuple[SerialSeen, ...]:
        out = []
        for m, seen in zip(self.mappings, self.seen, strict=True):
            unset = set(m.not_available) | (UNSET if m.role in COMPONENTS else set())
            component = COMPONENTS.get(m.role, m.role)
            for raw, (a, b, n) in sorted(seen.items()):
                written = m.form.written(dict(zip(m.reads, raw, strict=True))) if m.form else str(raw[0])
                if written and not all(k in unset for k in raw):
                    digits = str(raw[0]) if m.form and len(raw) == 1 else ""
                    out.append(SerialSeen(component, written, a, b, n, digits))
        return tuple(out)


def serials_in(part: Part, log: str, profile: Profile) -> tuple[SerialSeen, ...]:
    """The same, read back from a part."""
    serials = Serials(profile, part.layout)
    for piece in part.rows(serials.wanted, log, -(2**63), 2**63 - 1):
        serials.add(piece.message, piece.t, piece.columns)
    return serials.found()


def _add_serials(seen: dict[tuple[int, ...], list[int]], times: Times, columns: Sequence[Column]) -> None:
    """First and last time and number of samples, by the values that stand in the same frames."""
    there = _present(columns)
    t = times[there]
    rows = [c.values[there] for c in columns]
    if not len(t):
        return
    if all((values == values[0]).all() for values in rows):  # as good as always, and sorting takes longer
        found = [(tuple(int(v[0]) for v in rows), 0, len(t) - 1, len(t))]
    else:
        index = np.zeros(len(t), np.int64)  # equal for equal rows
        for values in rows:
            kinds, own = np.unique(values, return_inverse=True)
            index = np.unique(index * len(kinds) + own, return_inverse=True)[1]
        _, first, count = np.unique(index, return_index=True, return_counts=True)
        last = len(t) - 1 - np.unique(index[::-1], return_index=True)[1]
        found = [
            (tuple(int(v[a]) for v in rows), a, b, n)
            for a, b, n in zip(first.tolist(), last.tolist(), count.tolist(), strict=True)
        ]
    for k, a, b, n in found:
        old = seen.setdefault(k, [int(t[a]), int(t[b]), 0])
        old[0], old[1], old[2] = min(old[0], int(t[a])), max(old[1], int(t[b])), old[2] + n


def _present(columns: Sequence[Column]) -> slice | Bools:
    masks = [c.valid for c in columns if c.valid is not None]
    return np.logical_and.reduce(masks) if masks else slice(None)
