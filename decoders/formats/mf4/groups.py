"""Channel groups of bus events in a measurement file: where in a record each member of a frame lies."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from herdbook.decoders.dbc.messages import Signal
from herdbook.decoders.formats.mf4.blocks import BlockFile, Broken, MetaBlock

HD = struct.Struct("<QhhBBBxdd")
CG = struct.Struct("<QQHH4xLL")
CN = struct.Struct("<BBBBLLLL")
CC = struct.Struct("<BBHHHdd")
CHANNEL_LINKS, CHANNEL_DATA = 8, 72  # of a channel block, at least; attachments add links
VARIABLE_ENTRIES, BUS_EVENT = 1, 2  # flags of a group
VARIABLE_SIZE = -1  # in place of the size of a group of variable length
VARIABLE, MASTER, VIRTUAL = 1, 2, 3  # kinds of channels
NESTED = 8


@dataclass(frozen=True, slots=True)
class Channel:
    """One member: `bits` says where; value = raw * factor + offset. data: link to variable-length data, else 0."""

    kind: int
    bits: Signal
    factor: float = 1.0
    offset: float = 0.0
    data: int = 0


@dataclass(frozen=True, slots=True)
class ChannelGroup:
    """Records of one kind of bus event. skip: bytes of a record identifier before each record."""

    name: str
    records: int
    size: int
    skip: int
    data: int
    number: int  # before each of its records, when records of several groups are mixed
    sizes: tuple[tuple[int, int], ...]  # number and size of each group that shares its data; one: it is alone
    time: Channel | None = None
    members: dict[str, Channel] = field(default_factory=dict)

    @property
    def alone(self) -> bool:
        return len(self.sizes) == 1


def header(blocks: BlockFile) -> tuple[int, bool, MetaBlock]:
    """Start in ns since 1970, whether that is local time, and the header block. Raises: Broken."""
    block = blocks.block(64, b"##HD")
    if len(block.data) < HD.size or len(block.links) < 6:
        raise Broken("the header block is too short")
    start, _, _, flags, *_ = HD.unpack_from(block.data)
    return start, bool(flags & 1), block


def bus_groups(blocks: BlockFile, names: tuple[str, ...]) -> Iterator[ChannelGroup]:
    """Groups whose events are CAN frames of the given structure names. Raises: Broken."""
    _, _, head = header(blocks)
    for data_group in blocks.chain(head.links[0], b"##DG"):
        if len(data_group.links) < 3 or not data_group.data:
            raise Broken("a data group without links")
        skip = data_group.data[0]
        groups = list(blocks.chain(data_group.links[1], b"##CG"))
        sizes = tuple(number_and_size(block) for block in groups)
        for block in groups:
            number, records, flags, _, size, spare = CG.unpack_from(block.data)
            if not flags & BUS_EVENT:
                continue
            time, members = _channels(blocks, block.links[1])
            kinds = [name for name in names if any(k.startswith(name + ".") for k in members)]
            if len(kinds) > 1:  # its records would be read once as each of them
                raise Broken(f"a channel group that is {' and '.join(kinds)} at once")
            for name in kinds:
                yield ChannelGroup(
                    name=name,
                    records=records,
                    size=size + spare,
                    skip=skip,
                    data=data_group.links[2],
                    number=number,
                    sizes=sizes,
                    time=time,
                    members={k.rpartition(".")[2]: v for k, v in members.items() if k.startswith(name + ".")},
                )


def number_and_size(block: MetaBlock) -> tuple[int, int]:
    """Of a channel group: what stands before its records, and their size. Raises: Broken."""
    if len(block.data) < CG.size or len(block.links) < 6:
        raise Broken("a channel group that is too short")
    number, _, flags, _, size, spare = CG.unpack_from(block.data)
    return number, VARIABLE_SIZE if flags & VARIABLE_ENTRIES else size + spare


def _channels(blocks: BlockFile, address: int) -> tuple[Channel | None, dict[str, Channel]]:
    time, members = None, {}
    for name, channel in _walk(blocks, address, 0):
        if channel.kind in (MASTER, VIRTUAL) and time is None:
            time = channel
        elif name in members and "." in name:
            raise Broken(f"a channel group that holds {name} twice")  # which of them is it?
        else:
            members[name] = channel
    return time, members


def _walk(blocks: BlockFile, address: int, depth: int) -> Iterator[tuple[str, Channel]]:
    if depth > NESTED:
        raise Broken(f"channels nested more than {NESTED} deep at byte {address}")
    for block in blocks.chain(address, b"##CN"):
        if len(block.data) < CHANNEL_DATA or len(block.links) < CHANNEL_LINKS:
            raise Broken("a channel that is too short")  # with links that are none, its fields would be read elsewhere
        yield blocks.text(block.links[2]), _channel(blocks, block)
        if block.links[1]:
            yield from _walk(blocks, block.links[1], depth + 1)


def _channel(blocks: BlockFile, block: MetaBlock) -> Channel:
    kind, _, number, bit, byte, count, *_ = CN.unpack_from(block.data)
    if byte > 1 << 24 or count > 1 << 24:
        raise Broken(f"a channel of {count} bits at byte {byte} of its record")
    big = number in (1, 3, 5)
    start = 8 * byte + (7 if big else bit)
    signal = Signal(
        blocks.text(block.links[2]), start, count, big_endian=big, signed=number in (2, 3), is_float=number in (4, 5)
    )
    factor, offset = 1.0, 0.0
    if block.links[4]:
        conversion = blocks.block(block.links[4], b"##CC")
        if len(conversion.data) >= CC.size + 16 and conversion.data[0] == 1:
            offset, factor = struct.unpack_from("<dd", conversion.data, CC.size)
    return Channel(kind, signal, factor, offset, block.links[5] if kind == VARIABLE else 0)
