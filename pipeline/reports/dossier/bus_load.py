"""How full the wires were: the mean while they were awake and the worst second, where the bit rate is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Note, PageTable
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask

if TYPE_CHECKING:
    import duckdb

NOT_ASSESSED = "not assessed: bit rate not known"


def blocks(con: duckdb.DuckDBPyConnection, facts: Facts) -> list[Block]:
    found = ask(con, __name__, "buses", vehicle=facts.vehicle)
    if not found:
        return []
    head = (
        "Bus",
        "Bit rate [kbit/s]",
        "Logs",
        "Frames",
        "Mean while awake [%]",
        "Fullest second [%]",
        "It began",
        "In log",
    )
    note = Note(
        "Share of time with bits on the wire. A log holds no stuff bits: the first figure counts none, the second the "
        "most that the frame format allows. Frames that the logger did not record are not in it. The mean leaves out "
        "silences of over a second, the fullest second is one of the clock: the mean of a bus that speaks in short "
        "bursts is the higher one. "
        "The bit rate comes from the profile (bit_rate in [[bus]]) or the DBC file (Baudrate)."
    )
    return [PageTable("How full the buses were", head, [_bus(row, facts) for row in found], frozenset({1, 2, 3})), note]


def _bus(row: Row, facts: Facts) -> tuple[str, ...]:
    begin = (
        row["channel"] or "any",
        numbers.number(row["bit_rate"] / 1000) if row["bit_rate"] else "not known",
        numbers.count(row["logs"]),
        numbers.count(row["frames"]),
    )
    if row["peak_load"] is None:
        return (*begin, NOT_ASSESSED, NOT_ASSESSED, "", "")
    mean = _share(row["mean_load"], row["mean_most"]) if row["mean_load"] is not None else "a single frame"
    worst = _share(row["peak_load"], row["peak_most"])
    return (*begin, mean, worst, numbers.moment(row["peak_t"], facts.zone), row["peak_log"])


def _share(low: float, high: float) -> str:
    return f"{numbers.number(100 * low)} to {numbers.number(100 * high)}"
