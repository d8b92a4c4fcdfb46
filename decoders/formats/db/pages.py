"""A cut database file made readable again: the pages that are left, under a new tree.

A table is a tree of pages: leaves (kind 13) hold the rows, inner pages (kind 5) lead to them by row number. Inner pages
lie anywhere among the leaves, so that a cut takes away the way to most rows, though the leaves are there. The copy
made here has inner pages of its own behind the leaves, and its header claims no page that is not there.

    page     kind u8, 2 bytes, cells u16, first cell u16, 1 byte, of an inner page: rightmost child u32; then u16 a cell
    leaf     a cell is: payload size, row number (both in 7-bit groups, first the highest), payload
    inner    a cell is: child u32, greatest row number below it
    header   page size u16 at 16; pages u32 at 28, valid when the u32 at 24 and at 92 agree; free pages u32 at 36
Source: the SQLite file format as its own documentation has it.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import IO

LEAF, INNER = 13, 5
INNER_HEAD = struct.Struct(">BHHHBL")
MOST_BYTES = 1 << 31  # larger files are read by the tree they have; engineering choice
Child = tuple[int, int]  # greatest row number, page


def replant(file: IO[bytes], page: int, pages: int, root: int) -> None:
    """Give a copy of the first `pages` pages a new tree for the only table of the file, whose root page is `root`."""
    leaves = sorted(_leaves(file, page, pages))
    level: list[Child] = [(last, number) for _, last, number in leaves]
    fan = (page - INNER_HEAD.size) // 15
    while len(level) > fan:
        groups = [level[i : i + fan] for i in range(0, len(level), fan)]
        level = []
        for group in groups:
            pages += 1
            file.seek((pages - 1) * page)
            file.write(_inner(group, page))
            level.append((group[-1][0], pages))
    if level and root > 1:
        file.seek((root - 1) * page)
        file.write(_inner(level, page))
    claim(file, pages)


def claim(file: IO[bytes], pages: int) -> None:
    """Write the number of pages into the header."""
    file.seek(24)
    change = file.read(4)
    file.seek(28)
    file.write(struct.pack(">L", pages))
    file.seek(92)
    file.write(change)


def _leaves(file: IO[bytes], page: int, pages: int) -> list[tuple[int, int, int]]:
    """First row number, last one, page number, of every page that looks like a leaf with rows."""
    found = []
    file.seek(page)  # the first page is the schema's
    for number in range(2, pages + 1):
        data = file.read(page)
        cells = int.from_bytes(data[3:5], "big")
        if data[0] != LEAF or not 0 < cells <= (page - 8) // 4:
            continue
        ends = [_row_number(data, int.from_bytes(data[at : at + 2], "big")) for at in (8, 6 + 2 * cells)]
        if 0 <= ends[0] <= ends[1] < 2**63:
            found.append((ends[0], ends[1], number))
    return found


def _row_number(data: bytes, at: int) -> int:
    """Of the cell that begins at `at`; -1 when it does not lie in the page."""
    _, at = _number(data, at)
    value, at = _number(data, at)
    return value if at <= len(data) else -1


def _number(data: bytes, at: int) -> tuple[int, int]:
    """One number of 7-bit groups, and where it ends."""
    value = 0
    for i in range(9):
        byte = data[at] if at < len(data) else 0
        at += 1
        if i == 8:
            return value << 8 | byte, at
        value = value << 7 | byte & 0x7F
        if not byte & 0x80:
            break
    return value, at


def _inner(children: list[Child], page: int) -> bytes:
    out = bytearray(page)
    free = page
    for i, (last, number) in enumerate(children[:-1]):
        cell = struct.pack(">L", number) + _groups(last)
        free -= len(cell)
        out[free : free + len(cell)] = cell
        at = INNER_HEAD.size + 2 * i
        out[at : at + 2] = struct.pack(">H", free)
    INNER_HEAD.pack_into(out, 0, INNER, 0, len(children) - 1, free % 65536, 0, children[-1][1])
    return bytes(out)


def _groups(value: int) -> bytes:
    """A number below 2^63 as 7-bit groups; nine bytes where eight do not suffice, the last with eight bits."""
    if value >= 1 << 56:
        return _groups_of(value >> 8, 8, last=0x80) + bytes([value & 0xFF])
    return _groups_of(value, max(1, -(-value.bit_length() // 7)), last=0)


def _groups_of(value: int, count: int, last: int) -> bytes:
    groups = [value >> 7 * i & 0x7F for i in reversed(range(count))]
    return bytes([*(g | 0x80 for g in groups[:-1]), groups[-1] | last])


def page_size(head: bytes) -> int:
    """Bytes a page, 0 when the header is damaged."""
    size = int.from_bytes(head[16:18], "big")
    size = 65536 if size == 1 else size
    return size if size >= 512 and not size & (size - 1) else 0


def pages_told(head: bytes, size: int) -> int:
    """Pages that the file should have, by its header or else, rounded up, by its size."""
    told = int.from_bytes(head[28:32], "big")
    return told if told and head[24:28] == head[92:96] else -(-size // page_size(head))


def can_replant(path: Path, head: bytes) -> bool:
    """False for files with free pages, whose rows are no more, and for very large ones."""
    return not any(head[36:40]) and path.stat().st_size <= MOST_BYTES
