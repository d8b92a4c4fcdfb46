"""The block structure of a measurement file, version 4, checked before anyone follows its links.

Blocks: "##XX", 4 bytes, length u64, number of links u64, links u64, data. A damaged file can have links that
lead out of the file or round in circles; a library that follows them may never come back, so they are walked
here first. Source: ASAM MDF 4.1, block layouts from memory, checked against files that asammdf writes.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import IO

HEADER = struct.Struct("<4s4xQQ")
MAX_BLOCKS = 1_000_000
MAX_UNPACKED = 1 << 28  # bytes of one packed data block; the standard advises 4 MB
DATA = (b"##DT", b"##DV", b"##SD", b"##RD", b"##DZ")


class Broken(Exception):
    """The structure cannot be followed; the message says where."""


class Blocks:
    """Walks the links of a file; every block is visited once, or the file is broken."""

    def __init__(self, path: Path) -> None:
        self.size = path.stat().st_size
        self.path = path
        self.cut = 0  # bytes that blocks claim beyond the end of the file
        self._seen = 0

    def check(self) -> None:
        """Follow data groups, channel groups, channels and data lists. Raises: Broken."""
        with self.path.open("rb") as file:
            _, header = self._block(file, 64, (b"##HD",))
            for group in self._chain(file, header[0], (b"##DG",)):
                for channels in self._chain(file, group[1], (b"##CG",)):
                    self._channels(file, channels[1], 0)
                self._data(file, group[2])
            for place, kind in ((1, b"##FH"), (3, b"##AT"), (4, b"##EV")):
                for _ in self._chain(file, header[place], (kind,)):
                    pass

    def _channels(self, file: IO[bytes], address: int, depth: int) -> None:
        if depth > 8:
            raise Broken(f"channels nested more than 8 deep at byte {address}")
        for channel in self._chain(file, address, (b"##CN", b"##CA")):
            if channel[1]:
                self._channels(file, channel[1], depth + 1)
            if len(channel) > 5:
                self._data(file, channel[5], (b"##CG",))

    def _data(self, file: IO[bytes], address: int, others: tuple[bytes, ...] = ()) -> None:
        if not address:
            return
        kind, links = self._block(file, address, (*DATA, b"##DL", b"##LD", b"##HL", *others))
        if kind == b"##HL":
            address = links[0]
        if kind in (b"##HL", b"##DL", b"##LD"):
            for part in self._chain(file, address, (b"##DL", b"##LD")):
                for block in part[1:]:
                    if block:
                        self._block(file, block, DATA)

    def _chain(self, file: IO[bytes], address: int, kinds: tuple[bytes, ...]) -> Iterator[list[int]]:
        """Links of each block in a list whose first link leads to the next."""
        seen = set()
        while address:
            if address in seen:
                raise Broken(f"a list of blocks that runs in a circle at byte {address}")
            seen.add(address)
            _, links = self._block(file, address, kinds)
            yield links
            address = links[0] if links else 0

    def _block(self, file: IO[bytes], address: int, kinds: tuple[bytes, ...]) -> tuple[bytes, list[int]]:
        self._seen += 1
        if self._seen > MAX_BLOCKS:
            raise Broken(f"more than {MAX_BLOCKS} blocks")
        file.seek(address)
        head = file.read(HEADER.size)
        if len(head) < HEADER.size:
            raise Broken(f"a link to byte {address}, past the end of the file")
        kind, length, count = HEADER.unpack(head)
        if kind not in kinds or length < HEADER.size + 8 * count:
            raise Broken(f"no {' or '.join(k.decode() for k in kinds)} block at byte {address}")
        self.cut = max(self.cut, address + length - self.size)
        links = file.read(8 * count)
        if len(links) < 8 * count:
            raise Broken(f"the file ends inside the block at byte {address}")
        if kind == b"##DZ":
            self._packed(file.read(24), address)
        return kind, list(struct.unpack(f"<{count}Q", links))

    def _packed(self, head: bytes, address: int) -> None:
        if len(head) < 24:
            raise Broken(f"the file ends inside the block at byte {address}")
        unpacked, packed = struct.unpack_from("<QQ", head, 8)
        if unpacked > MAX_UNPACKED or packed > self.size:
            raise Broken(f"the packed block at byte {address} claims {unpacked} bytes")
