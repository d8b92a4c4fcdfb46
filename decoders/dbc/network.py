"""Network: the DBC files that describe one vehicle's buses, and the lookup from identifier to message."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from herdbook.decoders.arrays import I16, U32, Bool
from herdbook.decoders.dbc.j1939 import is_transport, parameter_group
from herdbook.decoders.dbc.messages import Message
from herdbook.decoders.dbc.parse import SUFFIXES, Rates, read_dbc
from herdbook.decoders.errors import NetworkError
from herdbook.decoders.frames import ERROR, EXTENDED, REMOTE, Frames

PathLike = str | Path
DbcSource = PathLike | tuple[str, PathLike]
SortedKeys = tuple[U32, I16]

IDENTIFIER = 0x1FFF_FFFF
EXTENDED_KEY = 0x8000_0000  # keeps 11- and 29-bit identifiers of the same number apart
UNKNOWN = -1
SKIPPED = -2


@dataclass(frozen=True)
class Network:
    """All messages of one vehicle. Start at load(); then decode(frames, network).

    buses: (label, indices into messages), one entry a DBC file given; label "" answers for every channel.
    rates: bit rates of each bus, nominal and of CAN FD's data phase, None where its file does not tell. [bit/s]
    notes: what a lenient load left out or found doubtful. hash: SHA-256 over labels and file contents.
    """

    messages: tuple[Message, ...]
    buses: tuple[tuple[str, tuple[int, ...]], ...]
    notes: tuple[str, ...] = ()
    hash: str = ""
    rates: tuple[Rates, ...] = ()

    @classmethod
    def load(cls, paths: DbcSource | Iterable[DbcSource], lenient: bool = False) -> Network:
        """Read DBC files (or .arxml, .kcd, .sym): one path, several, or pairs (channel label, path).

        A label is the bus name as logs write it ("can0", "1"), or several of them joined by "|"; case does not matter.
        A file without a label, or with "", answers for every channel. Messages of the same name become one table when
        their layout is the same; otherwise the later one is called name@label (or name@identifier).
        lenient: see read_dbc. Raises: NetworkError, naming file, message and signal.
        """
        found: list[tuple[str, list[Message]]] = []
        rates: list[Rates] = []
        notes: list[str] = []
        digest = hashlib.sha256()
        for label, path in _pairs(paths):
            messages, said, rate = read_dbc(path, lenient)
            rates.append(rate)
            found.append((label, messages))
            notes += said
            digest.update(f"{label}\0{len(path.read_bytes())}\0".encode() + path.read_bytes())
        if not found:
            raise NetworkError("no DBC file given. Name at least one.")
        return cls(*_unite(found), notes=tuple(notes), hash=digest.hexdigest(), rates=tuple(rates))

    def declared(self, attributes: Mapping[str, Mapping[str, int | float | str]]) -> Network:
        """The same network with message attributes in place of those of its files. KeyError for an unknown message."""
        if unknown := set(attributes) - set(self.by_name):
            raise KeyError(f"no message is named {min(unknown)!r}")
        messages = tuple(
            replace(m, attributes={**m.attributes, **attributes[m.name]}) if m.name in attributes else m
            for m in self.messages
        )
        return replace(self, messages=messages)

    @cached_property
    def by_name(self) -> dict[str, Message]:
        """Messages by name; where two buses share a message this is the first of them."""
        return {m.name: m for m in reversed(self.messages)}

    @property
    def several_buses(self) -> bool:
        """True when decoded tables carry a `channel` column."""
        return len(self.buses) > 1

    def rates_of(self, channel: str) -> Rates:
        """Bit rates of the channel that a log calls so; None where no file tells, or two tell otherwise."""
        told = [rate for (label, _), rate in zip(self.buses, self.rates, strict=True) if _answers(label, channel)]
        nominal, data = ({rate[i] for rate in told} - {None} for i in (0, 1))
        return nominal.pop() if len(nominal) == 1 else None, data.pop() if len(data) == 1 else None

    @cached_property
    def carries_long(self) -> bool:
        """True when a J1939 message is longer than a frame: then the transport protocol is followed."""
        return any(m.j1939 and m.length > 8 for m in self.messages)

    def find(self, label: str, can_id: U32) -> I16:
        """As match(), of 29-bit identifiers on one channel."""
        return self._tables(label).find(can_id | np.uint32(EXTENDED_KEY))

    def knows(self, frames: Frames) -> Bool:
        """True for frames of a message, and for those that carry a part of one, bool (n,)."""
        found = self.match(frames) >= 0
        return found | is_transport(frames) if self.carries_long else found

    def match(self, frames: Frames) -> I16:
        """Index into `messages` per frame; UNKNOWN without a message, SKIPPED for error and remote frames."""
        flags = int(np.bitwise_or.reduce(frames.flags)) if len(frames) else 0
        keys = frames.can_id
        if flags & EXTENDED:
            keys = keys | (frames.flags & np.uint8(EXTENDED)).astype(np.uint32) << np.uint32(31)
        tables = [self._tables(label) for label in frames.channels]
        if len(set(map(id, tables))) <= 1:
            which = tables[0].find(keys) if tables else np.full(len(frames), UNKNOWN, np.int16)
        else:
            which = np.full(len(frames), UNKNOWN, np.int16)
            for index, table in enumerate(tables):
                rows = frames.channel == index
                which[rows] = table.find(keys[rows])
        if flags & (ERROR | REMOTE):
            which[(frames.flags & (ERROR | REMOTE)) != 0] = SKIPPED
        return which

    def _tables(self, label: str) -> _Lookup:
        buses = tuple(i for i, (name, _) in enumerate(self.buses) if _answers(name, label))
        if buses not in self._lookups:
            members = [m for b in reversed(buses) for m in self.buses[b][1]]
            self._lookups[buses] = _Lookup(self.messages, members)
        return self._lookups[buses]

    @cached_property
    def _lookups(self) -> dict[tuple[int, ...], _Lookup]:
        return {}


def _answers(bus: str, channel: str) -> bool:
    return not bus or channel.lower() in bus.lower().split("|")


class _Lookup:
    """Identifier to message index: a table for 11 bits, a search for 29, then J1939 parameter groups."""

    def __init__(self, messages: Sequence[Message], members: Sequence[int]) -> None:
        self.short = np.full(2048, UNKNOWN, np.int16)
        long: dict[int, int] = {}
        groups: dict[int, int] = {}
        for i in members:
            message = messages[i]
            if not message.extended:
                self.short[message.can_id] = i
                continue
            long[message.can_id] = i
            if message.j1939:
                groups.setdefault(int(parameter_group(np.array([message.can_id], np.uint32))[0]), i)
        self.long, self.groups = _sorted(long), _sorted(groups)

    def find(self, keys: U32) -> I16:
        which: I16 = self.short[keys & np.uint32(0x7FF)]
        if len(keys) and int(keys.max()) > 0x7FF:
            extended = np.flatnonzero(keys > 0x7FF)
            ids = keys[extended]
            found = _search(self.long, ids & np.uint32(IDENTIFIER))
            if len(self.groups[0]):
                missing = np.flatnonzero(found == UNKNOWN)
                found[missing] = _search(self.groups, parameter_group(ids[missing] & np.uint32(IDENTIFIER)))
            found[ids < EXTENDED_KEY] = UNKNOWN  # an 11-bit frame with a number past 11 bits is nobody's
            which[extended] = found
        return which


def _sorted(table: dict[int, int]) -> SortedKeys:
    keys = sorted(table)
    return np.array(keys, np.uint32), np.array([table[k] for k in keys], np.int16)


def _search(table: SortedKeys, ids: U32) -> I16:
    keys, values = table
    if not len(keys):
        return np.full(len(ids), UNKNOWN, np.int16)
    at = np.minimum(np.searchsorted(keys, ids), len(keys) - 1)
    return np.where(keys[at] == ids, values[at], np.int16(UNKNOWN))


def _pairs(paths: DbcSource | Iterable[DbcSource]) -> list[tuple[str, Path]]:
    if isinstance(paths, str | Path):
        return [("", Path(paths))]
    if isinstance(paths, tuple) and len(paths) == 2:
        label, path = paths
        if isinstance(label, str) and not isinstance(path, tuple) and Path(label).suffix.lower() not in SUFFIXES:
            return [(label, Path(path))]
    return [("", Path(one)) if isinstance(one, str | Path) else (one[0], Path(one[1])) for one in paths]


def _unite(
    found: list[tuple[str, list[Message]]],
) -> tuple[tuple[Message, ...], tuple[tuple[str, tuple[int, ...]], ...]]:
    """One numbering over all files, with names made unique per layout."""
    messages: list[Message] = []
    buses = []
    shapes: dict[str, tuple[object, ...]] = {}
    for label, several in found:
        here: set[str] = set()
        start = len(messages)
        for message in several:
            name = message.name
            if name in here:
                name = f"{name}@{message.can_id:X}"
            elif name in shapes and shapes[name] != message.same_shape:
                name = f"{name}@{label or message.can_id}"
            while name in here or (name in shapes and shapes[name] != message.same_shape):
                name += "'"
            here.add(name)
            shapes[name] = message.same_shape
            messages.append(replace(message, name=name) if name != message.name else message)
        buses.append((label, tuple(range(start, len(messages)))))
    return tuple(messages), tuple(buses)
