"""What can still be read of a damaged part: row by row what its page checksums, its index and its layout vouch for.

Pages carry checksums, so a flipped bit is found in the page it is in; the file's footer carries none. So its layout is
believed only where it is the one expected (or, where nobody knows what to expect, where a bad page explains why the
file's hash is wrong), and a block only where its times are those that the index says.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from herdbook.pipeline.errors import DamagedPartError
from herdbook.pipeline.lake.layout import Layout
from herdbook.pipeline.lake.part import Chunk, Part, RowBlock
from herdbook.pipeline.lake.part_writer import PartWriter


@dataclass(slots=True)
class Saved:
    """Rows by log: in the damaged part (by its index) and saved. hash: of the new part; "" when there is none."""

    of: dict[str, int] = field(default_factory=dict)
    kept: dict[str, int] = field(default_factory=dict)
    hash: str = ""


def salvage(damaged: Path, logs: Collection[str], expected: Layout | None, target: Path, scratch: Path) -> Saved:
    """Write what is sound of some logs into a new part; nothing is written when nothing is.

    expected: the layout these logs were written with, None when that is not known. scratch: as PartWriter has it.
    """
    saved = Saved()
    try:
        part = Part.open(damaged)
    except DamagedPartError:
        return saved
    for block in part.blocks:
        if block.log in logs:
            saved.of[block.log] = saved.of.get(block.log, 0) + block.rows
    good = [b for b in part.blocks if _sound(part, b) is not None]
    believed = part.layout == expected if expected is not None else len(good) < len(part.blocks)
    reports = {b.log: part.logs[b.log] for b in good if b.log in logs and b.log in part.logs}
    good = [b for b in good if b.log in reports]
    if not good or not believed:
        return saved
    with PartWriter(target, part.layout, scratch) as writer:
        for chunk in _chunks(part, good):
            writer.add(chunk)
            saved.kept[chunk.log] = saved.kept.get(chunk.log, 0) + len(chunk.table)
        saved.hash = writer.close(reports)
    return saved


def _chunks(part: Part, blocks: list[RowBlock]) -> Iterator[Chunk]:
    """In the order of the damaged part, which is that of every part."""
    for block in blocks:
        if (chunk := _sound(part, block)) is not None:
            yield chunk


def _sound(part: Part, block: RowBlock) -> Chunk | None:
    """The rows of a block when everything about them agrees."""
    try:
        chunk = part.chunk(block)
    except (DamagedPartError, KeyError, IndexError, TypeError, ValueError):
        return None
    t = chunk.table.t
    if len(t) != block.rows or not len(t) or (int(t[0]), int(t[-1])) != (block.start, block.end):
        return None
    return chunk if bool((np.diff(t) >= 0).all()) else None
