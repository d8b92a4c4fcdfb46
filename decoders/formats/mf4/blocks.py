"""BlockFile of a measurement file, version 4: read one by one, with every link distrusted.

A block is "##XX", 4 bytes, its length u64, the number of links u64, the links u64, then data. In a damaged file
links lead out of the file or round in circles and sizes are absurd, so each list remembers where it has been, and
nothing is read or unpacked beyond a limit.
Source: ASAM MDF 4.1, block layouts from memory, checked against files that asammdf writes.
"""

from __future__ import annotations

import struct
import weakref
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from herdbook.decoders.reading import inflate

HEADER = struct.Struct("<4s4xQQ")
PACKED = struct.Struct("<2sBxLQQ")
MAX_BLOCKS = 1_000_000
MAX_META = 1 << 20  # bytes of one block that is no measured data
MAX_PACKED = 1 << 28  # bytes of one packed data block; the standard advises 4 MB
PIECE = 1 << 20  # bytes of plain data read at once
PLAIN = (b"##DT", b"##DV", b"##SD", b"##RD")


class Broken(Exception):
    """The structure cannot be followed; the message says where."""


@dataclass(frozen=True, slots=True)
class MetaBlock:
    """One block that is no measured data, whole."""

    kind: bytes
    links: tuple[int, ...]
    data: bytes


class BlockFile:
    """Random access to the blocks of one file. cut: bytes that blocks claim beyond the end of the file; oddly_turned:
    place of the first packed block whose rows were turned by another width than its records have, else 0."""

    def __init__(self, path: Path) -> None:
        self.file = path.open("rb")
        weakref.finalize(self, self.file.close)
        self.size = path.stat().st_size
        self.cut = 0
        self.oddly_turned = 0
        self._met = 0

    def block(self, address: int, *kinds: bytes) -> MetaBlock:
        """The block at an address, one of some kinds. Raises: Broken."""
        kind, length, links = self._head(address, kinds)
        rest = length - HEADER.size - 8 * len(links)
        if rest > MAX_META:
            raise Broken(f"the block at byte {address} claims {length} bytes")
        data = self.file.read(rest)
        if len(data) < rest:
            raise Broken(f"the file ends inside the block at byte {address}")
        return MetaBlock(kind, links, data)

    def chain(self, address: int, *kinds: bytes) -> Iterator[MetaBlock]:
        """BlockFile of a list whose first link leads to the next. Raises: Broken, also for a circle."""
        been = set()
        while address:
            if address in been:
                raise Broken(f"a list of blocks that runs in a circle at byte {address}")
            been.add(address)
            block = self.block(address, *kinds)
            yield block
            address = block.links[0] if block.links else 0

    def text(self, address: int) -> str:
        """Content of a text block; "" without one."""
        if not address:
            return ""
        return self.block(address, b"##TX", b"##MD").data.split(b"\0", 1)[0].decode("utf-8", "replace")

    def data(self, address: int, width: int = 0) -> Iterator[bytes]:
        """Measured data behind a link, in pieces: a block, a list of blocks, each plain or packed. Raises: Broken.
        width: bytes of a record, where all are of one."""
        for where in self._parts(address):
            kind, length, links = self._head(where, (*PLAIN, b"##DZ"))
            if kind == b"##DZ":
                yield self._unpacked(where, length, width)
                continue
            left = length - HEADER.size - 8 * len(links)
            at = where + length - left
            while left > 0:
                self.file.seek(at)
                piece = self.file.read(min(left, PIECE))
                if not piece:
                    raise Broken(f"the file ends inside the data block at byte {where}")
                at, left = at + len(piece), left - len(piece)
                yield piece

    def _parts(self, address: int) -> Iterator[int]:
        if not address:
            return
        kind, _, links = self._head(address, (*PLAIN, b"##DZ", b"##DL", b"##HL"))
        if kind == b"##HL":
            address = links[0] if links else 0
        if kind in (b"##HL", b"##DL"):
            for part in self.chain(address, b"##DL"):
                yield from (where for where in part.links[1:] if where)
        else:
            yield address

    def _head(self, address: int, kinds: tuple[bytes, ...]) -> tuple[bytes, int, tuple[int, ...]]:
        self._met += 1
        if self._met > MAX_BLOCKS:
            raise Broken(f"more than {MAX_BLOCKS} blocks")
        if address > self.size - HEADER.size:
            raise Broken(f"a link to byte {address}, past the end of the file")
        self.file.seek(address)
        kind, length, count = HEADER.unpack(self.file.read(HEADER.size))
        if kind not in kinds or count > MAX_META or length < HEADER.size + 8 * count:
            raise Broken(f"no {' or '.join(k.decode() for k in kinds)} block at byte {address}")
        self.cut = max(self.cut, address + length - self.size)
        links = self.file.read(8 * count)
        if len(links) < 8 * count:
            raise Broken(f"the file ends inside the block at byte {address}")
        return kind, length, struct.unpack(f"<{count}Q", links)

    def _unpacked(self, address: int, length: int, width: int) -> bytes:
        """Content of a packed block; when it is damaged, Broken."""
        head = self.file.read(PACKED.size)
        if len(head) < PACKED.size:
            raise Broken(f"the file ends inside the block at byte {address}")
        _, way, columns, unpacked, packed = PACKED.unpack(head)
        if unpacked > MAX_PACKED or packed > length or way > 1:
            raise Broken(f"the packed block at byte {address} claims {unpacked} bytes, packed by way {way}")
        try:
            data: bytes = inflate.machine().decompress(self.file.read(packed), max(unpacked, 1))
        except inflate.ERRORS as e:
            raise Broken(f"the packed block at byte {address} is damaged: {e}") from None
        if len(data) != unpacked:
            raise Broken(f"the packed block at byte {address} holds {len(data)} of {unpacked} bytes")
        if way == 0 or columns == 0:
            return data
        if width and columns != width:  # a writer may do so, but all do it by the record: more likely a slip
            self.oddly_turned = self.oddly_turned or address
        return _turned(data, columns)


def _turned(data: bytes, columns: int) -> bytes:
    """Undo the transposition that makes records of `columns` bytes pack better."""
    import numpy as np

    rows = len(data) // columns
    body = np.frombuffer(data, np.uint8, rows * columns).reshape(columns, rows)
    return np.ascontiguousarray(body.T).tobytes() + data[rows * columns :]
