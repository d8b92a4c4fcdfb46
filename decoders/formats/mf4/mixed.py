"""Measurement files that mix records of several groups in one stream: told apart by the number before each record.

    number (1, 2, 4 or 8 bytes), then a record of its group's size; of a group of variable length: u32 length, bytes
Records are as long as their group says, so the stream can only be walked one by one. Such files are rare (a logger that
was cut off while it wrote); all others are read without a loop over records.
Source: ASAM MDF 4.1, from memory; checked against asammdf's reading of the same files.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.decoders.arrays import Bytes
from herdbook.decoders.formats.mf4.blocks import BlockFile, Broken
from herdbook.decoders.formats.mf4.groups import VARIABLE_SIZE, ChannelGroup

MAX_ENTRY = 1 << 20  # bytes of one entry of variable length


def mixed_records(blocks: BlockFile, group: ChannelGroup) -> Iterator[Bytes]:
    """Records of one group, uint8 (n, size), without their numbers. Raises: Broken, behind the sound ones."""
    for data, starts in _walk(blocks, group, group.number):
        if len(starts) and group.size:
            whole = np.frombuffer(data, np.uint8)
            yield whole[np.array(starts, np.int64)[:, None] + np.arange(group.size)]


def mixed_entries(blocks: BlockFile, group: ChannelGroup, number: int) -> Iterator[bytes]:
    """Entries of a group of variable length in the same stream, each with its length, as a data block of its own would
    hold them. Raises: Broken."""
    for data, starts in _walk(blocks, group, number):
        yield b"".join(data[at : at + 4 + int.from_bytes(data[at : at + 4], "little")] for at in starts)


def _walk(blocks: BlockFile, group: ChannelGroup, number: int) -> Iterator[tuple[bytes, list[int]]]:
    """Pieces of the stream, each with the places at which records of a number begin."""
    skip, sizes = group.skip, dict(group.sizes)
    rest = b""
    for piece in blocks.data(group.data):
        rest = rest + piece if rest else piece
        at, starts, fault = 0, [], ""
        while at + skip + 4 <= len(rest):
            found = rest[at] if skip == 1 else int.from_bytes(rest[at : at + skip], "little")
            size = sizes.get(found)
            if size == VARIABLE_SIZE:
                size = 4 + int.from_bytes(rest[at + skip : at + skip + 4], "little")
            if size is None or size > MAX_ENTRY:
                fault = f"a record of unknown group {found}" if size is None else f"an entry of {size} bytes"
                break
            if at + skip + size > len(rest):
                break
            if found == number:
                starts.append(at + skip)
            at += skip + size
        yield rest, starts
        if fault:
            raise Broken(fault)
        rest = rest[at:]
