"""Which column of a part holds which signal of a message, and how the kept count becomes a value in the DBC's unit.

A column a signal of the whole network would leave almost every place of a row empty, and empty places cost more to
write than full ones. So a row has just as many places as the widest message has signals: `c00`, `c01`, ... for whole
numbers, `f00`, ... for IEEE floats. Linear signals are kept as the raw counts of the wire, which pack several times
better than floats and lose nothing: value = count * scale + offset, rounded as the decoder rounds. The layout stands in
every part, so that a part can be read without its DBC; the views of fleet.duckdb apply it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from herdbook.decoders.dbc.messages import Kind, Number
from herdbook.decoders.decoding.decode import RESERVED
from herdbook.decoders.decoding.extract import linear
from herdbook.decoders.integrity.checksum import protection_of

if TYPE_CHECKING:
    import polars as pl

    from herdbook.decoders import Network
    from herdbook.pipeline.vehicle.profile import Profile

_LAYOUTS: dict[tuple[object, ...], Layout] = {}
CHECKSUM_OK = "_checksum_ok"  # beside a guarded message's signals: 1 right, 0 wrong


@dataclass(frozen=True, slots=True)
class Slot:
    """One signal of a message: the column it is kept in and what its values are.

    kind: of the values, as herdbook.decoders.dbc.messages.Signal has it. unsigned: the column's 64 bits are an
    unsigned number. scale, offset: None where the column holds the values themselves.
    """

    signal: str
    column: str
    kind: Kind
    unsigned: bool = False
    scale: Number | None = None
    offset: Number | None = None


FIELDS = [f.name for f in fields(Slot)]


@dataclass(frozen=True, slots=True)
class Layout:
    """Slots by message name; channel, source: whether rows say on which bus they came and from whom."""

    messages: Mapping[str, tuple[Slot, ...]]
    channel: bool = False
    source: bool = False

    @property
    def columns(self) -> list[str]:
        """All columns that signals of some message use, in order."""
        return sorted({s.column for slots in self.messages.values() for s in slots})


def layout_of_profile(profile: Profile) -> Layout:
    """Where parts keep the signals of a profile's network; made once a process."""
    key = profile.buses, profile.network_hash, profile.protection, profile.lenient
    if key not in _LAYOUTS:
        _LAYOUTS[key] = layout_of(profile.network())
    return _LAYOUTS[key]


def layout_of(network: Network) -> Layout:
    """Places of every signal of a network, the same for all its parts."""
    found: dict[str, tuple[Slot, ...]] = {}
    for message in network.messages:
        slots: dict[str, Slot] = {s.signal: s for s in found.get(message.name, ())}
        for s in message.signals:
            name = f"{s.name}_" if s.name in RESERVED else s.name
            letter = "f" if s.kind == "float" and not s.counted else "c"
            unsigned = s.kind == "uint" or (s.counted and not s.signed and s.length == 64)
            linear_by = (s.scale, s.offset) if s.counted else (None, None)
            slots.setdefault(name, Slot(name, _next(slots.values(), letter), s.kind, unsigned, *linear_by))
        guard = protection_of(message)
        if guard is not None and guard.checksum:
            slots.setdefault(CHECKSUM_OK, Slot(CHECKSUM_OK, _next(slots.values(), "c"), "int"))
        found[message.name] = tuple(slots.values())
    return Layout(found, network.several_buses, any(m.j1939 for m in network.messages))


def _next(slots: Iterable[Slot], letter: str) -> str:
    return f"{letter}{sum(s.column[0] == letter for s in slots):02d}"


def types_of(layout: Layout) -> dict[str, pl.DataType]:
    """Type of the values by "Message.Signal"."""
    import polars as pl

    kinds = {"int": pl.Int64(), "uint": pl.UInt64(), "float": pl.Float64()}
    return {f"{message}.{s.signal}": kinds[s.kind] for message, slots in layout.messages.items() for s in slots}


def to_json(layout: Layout) -> dict[str, Any]:
    messages = {m: [[getattr(s, f) for f in FIELDS] for s in slots] for m, slots in layout.messages.items()}
    return {"messages": messages, "channel": layout.channel, "source": layout.source}


def from_json(found: Mapping[str, Any]) -> Layout:
    """Raises: TypeError, KeyError when it is no layout."""
    messages = {message: tuple(Slot(*s) for s in slots) for message, slots in found["messages"].items()}
    return Layout(messages, found["channel"], found["source"])


def values(slot: Slot, kept: NDArray[Any]) -> NDArray[Any]:
    """What the decoder would have given: int64, uint64 or float64. kept: int64 or float64, without empty places."""
    counts = kept.view(np.uint64) if slot.unsigned else kept
    if slot.scale is None or slot.offset is None:
        return counts
    return linear(counts, slot.scale, slot.offset)


def expression(slot: Slot, table: str) -> str:
    """The same in SQL. table: alias of the part's rows."""
    kept = f"{table}.{slot.column}"
    if slot.unsigned:
        whole = f"CASE WHEN {kept} < 0 THEN CAST({kept} AS HUGEINT) + 18446744073709551616 ELSE {kept} END"
        kept = f"CAST({whole} AS UBIGINT)"
    if slot.scale is None or slot.offset is None:
        return kept
    value = f"CAST({kept} AS DOUBLE)"
    if slot.scale == 1 and slot.offset == 0:
        return value
    value = f"{value} * CAST('{float(slot.scale)!r}' AS DOUBLE)"
    return f"{value} + CAST('{float(slot.offset)!r}' AS DOUBLE)"
