"""Frames that are missing: did the sender stay silent, or were they sent and not recorded?

A message with an alive counter tells. A counter that jumps says that frames were sent and lost on the wire or in the
logger. A counter that runs on over a pause says that its sender sent none (a loss of exactly one turn of the counter
looks the same). When nearly every cyclic message misses frames at once, the logger or the whole bus is the likelier
place than all senders.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Note, PageTable
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

NEARLY_ALL = 0.8  # of the cyclic messages; engineering choice
MOST_NAMED = 4


def blocks(con: duckdb.DuckDBPyConnection, facts: Facts) -> list[Block]:
    found = ask(con, __name__, "lost", vehicle=facts.vehicle)
    if not found:
        text = "No message with a declared cycle misses a frame, and no alive counter jumps, in any log."
        return [Note(text)] if facts.messages else []
    body = [
        (row["name"], numbers.moment(row["start_t"], facts.zone, False), numbers.count(row["missed"]), where(row))
        for row in found
    ]
    head = ("Log", "From", "Frames missing", "Lost where, by the alive counters")
    note = Note(
        "A counter that jumps: sent, and lost on the wire or by the logger. A counter that runs on: not sent. Without "
        "a counter it cannot be told. A loss of exactly one turn of a counter looks like silence."
    )
    return [PageTable("Frames that are missing, and who lost them", head, body, frozenset({2})), note]


def where(row: Row) -> str:
    """One log's losses in words."""
    said = []
    if row["cyclic"] > 2 and row["missing"] >= NEARLY_ALL * row["cyclic"]:
        said.append(
            f"{row['missing']} of {row['cyclic']} cyclic messages miss frames in this log: the logger or the whole bus"
        )
    if row["jumped"]:
        said.append(f"sent and not recorded: {_some(row['jumped'])}")
    if row["unbroken"]:
        said.append(f"not sent: {_some(row['unbroken'])}")
    if row["blind"]:
        said.append(f"cannot be told: {_some(row['blind'])}")
    return "; ".join(said)


def _some(names: list[str]) -> str:
    rest = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {rest} more" if rest > 0 else "")
