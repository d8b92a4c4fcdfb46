"""A small writer of measurement files, block by block, for shapes that no writer at hand makes: variable-length data
and mixed records. asammdf opens what it writes, so the layouts are not only ours."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from pathlib import Path

START_NS = 1_700_000_000_000_000_000
MEMBERS = (("BusChannel", 8, 8), ("ID", 9, 32), ("IDE", 13, 8), ("DLC", 14, 8), ("DataLength", 15, 8))
DATA = [bytes(range(i % 9)) for i in range(3000)]
RECORD = struct.Struct("<dBIBBBQ")  # time, then the members, then data bytes or where they are


@dataclass
class Made:
    """Blocks to be, each with links that name other blocks."""

    blocks: list[tuple[bytes, list[int], bytes]] = field(default_factory=list)

    def add(self, kind: bytes, links: list[int], data: bytes = b"") -> int:
        """Number of the new block, counted from 1; link 0 leads nowhere."""
        self.blocks.append((kind, links, data.ljust((len(data) + 7) // 8 * 8, b"\0") if kind == b"##TX" else data))
        return len(self.blocks)

    def write(self, path: Path) -> Path:
        at, places = 64, [0]
        for _, links, data in self.blocks:
            places.append(at)
            at += (24 + 8 * len(links) + len(data) + 7) // 8 * 8
        out = [b"MDF     4.10    made    \0\0\0\0" + struct.pack("<H", 410) + bytes(34)]
        for kind, links, data in self.blocks:
            size = 24 + 8 * len(links) + len(data)
            out.append(
                struct.pack("<4s4xQQ", kind, size, len(links))
                + struct.pack(f"<{len(links)}Q", *[places[i] for i in links])
                + data
                + bytes(-size % 8)
            )
        path.write_bytes(b"".join(out))
        return path

    def text(self, text: str) -> int:
        return self.add(b"##TX", [], text.encode() + b"\0")

    def channel(
        self, after: int, name: str, kind: int, number: int, byte: int, bits: int, inside: int = 0, data: int = 0
    ) -> int:
        """A channel whose next one is `after`: channels are made from the last to the first."""
        about = struct.pack("<4B4IBBH6d", kind, 1 if kind == 2 else 0, number, 0, byte, bits, 0, 0, 0, 0, 0, *[0.0] * 6)
        return self.add(b"##CN", [after, inside, self.text(name), 0, 0, data, 0, 0], about)

    def group(self, after: int, name: str, record_id: int, records: int, variable: int = 0) -> int:
        """A channel group of bus events with records of RECORD."""
        data = self.channel(0, f"{name}.DataBytes", 1 if variable else 0, 10, 16, 64, data=variable)
        for member, byte, bits in reversed(MEMBERS):
            data = self.channel(data, f"{name}.{member}", 0, 0, byte, bits)
        whole = self.channel(0, name, 0, 10, 8, 128, inside=data)
        first = self.channel(whole, "time", 2, 4, 0, 64)
        source = self.add(b"##SI", [self.text("CAN"), 0, 0], bytes([2, 2, 0]) + bytes(5))
        about = struct.pack("<QQHH4xLL", record_id, records, 2, 0, RECORD.size, 0)
        return self.add(b"##CG", [after, first, self.text("CAN"), source, 0, 0], about)

    def entries(self, after: int, record_id: int, records: int) -> int:
        """A channel group of variable length, whose entries stand among the records of others."""
        return self.add(b"##CG", [after, 0, 0, 0, 0, 0], struct.pack("<QQHH4xLL", record_id, records, 1, 0, 0, 0))

    def finish(self, data_group: int, path: Path) -> Path:
        """The header must be the first block: it is put in front, and all links move up by one."""
        header = (b"##HD", [data_group, 0, 0, 0, 0, 0], struct.pack("<QhhBBBxdd", START_NS, 0, 0, 2, 0, 0, 0.0, 0.0))
        self.blocks = [header, *self.blocks]
        self.blocks = [(kind, [i + 1 if i else 0 for i in links], data) for kind, links, data in self.blocks]
        return self.write(path)


def record(t: float, can_id: int, length: int, last: int, extended: int = 0) -> bytes:
    return RECORD.pack(t, 1, can_id, extended, length, length, last)


def variable_file(path: Path, entries: list[bytes], packed: bool) -> Path:
    made = Made()
    stream = b"".join(struct.pack("<I", len(d)) + d for d in entries)
    if packed:
        half = len(stream) // 2
        parts = [
            made.add(b"##DZ", [], struct.pack("<2sBxLQQ", b"SD", 0, 0, len(p), len(z := zlib.compress(p))) + z)
            for p in (stream[:half], stream[half:])
        ]
        lists = made.add(b"##DL", [0, *parts], struct.pack("<B3xIQQ", 0, 2, 0, half))
        data = made.add(b"##HL", [lists], struct.pack("<HBB4x", 0, 0, 0))
    else:
        data = made.add(b"##SD", [], stream)
    at, records = 0, []
    for i, entry in enumerate(entries):
        records.append(record(i / 1000, i % 2048, len(entry), at))
        at += 4 + len(entry)
    group = made.group(0, "CAN_DataFrame", 0, len(records), variable=data)
    table = made.add(b"##DT", [], b"".join(records))
    return made.finish(made.add(b"##DG", [0, group, table, 0], bytes(8)), path)


def mixed_file(path: Path) -> Path:
    """Data and remote frames in one stream, each record behind the number of its group."""
    made = Made()
    remote = made.group(0, "CAN_RemoteFrame", 2, 100)
    data = made.group(remote, "CAN_DataFrame", 1, 200)
    stream = b""
    for i in range(300):
        which = 2 if i % 3 == 2 else 1
        stream += bytes([which]) + record(i / 1000, i, 8, i)
    table = made.add(b"##DT", [], stream)
    return made.finish(made.add(b"##DG", [0, data, table, 0], bytes([1]) + bytes(7)), path)
