"""The lines about what is not known: gaps in the record, damaged logs, doubtful clocks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.history.context import HistoryReader
from herdbook.pipeline.reports.history.statement import Statement
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.store.statements import Row

GAP = timedelta(days=2)  # engineering choice: shorter pauses are summed up in one line


def lines(facts: Facts, reader: HistoryReader) -> Iterator[Statement]:
    yield from _gaps(facts, reader)
    for log in facts.logs:
        yield from _of_log(log)


def _of_log(log: Row) -> Iterator[Statement]:
    def line(text: str, basis: str = "recorded") -> Statement:
        return Statement("unknown", text, basis, log["start_t"], log["end_t"], logs=(log["log"],))

    if log["status"] != "whole":
        lost = f"; {numbers.size(log['lost_bytes'])} of it could not be read" if log["lost_bytes"] else ""
        yield line(f"The log {log['name']} is incomplete{lost}.")
    for note in log["clock_notes"]:
        yield line(f"Clock of the log {log['name']}: {note.rstrip('.')}.")
    if log["clock"] != "utc":
        yield line(
            f"The log {log['name']} has no absolute clock of its own; its place in time comes from the "
            f"{names.clock(log['clock'])}.",
            "stated",
        )


def _gaps(facts: Facts, reader: HistoryReader) -> Iterator[Statement]:
    short = timedelta(0)
    reached: datetime | None = None
    before = ""
    for log in sorted(facts.logs, key=lambda row: (row["start_t"], row["log"])):
        if reached is not None and log["start_t"] > reached:
            if log["start_t"] - reached >= GAP:
                yield _gap(reached, log["start_t"], (before, log["log"]), reader)
            else:
                short += log["start_t"] - reached
        if reached is None or log["end_t"] > reached:
            reached, before = log["end_t"], log["log"]
    if short:
        text = (
            f"Shorter pauses between records add up to {numbers.duration(short.total_seconds())}; they may be "
            "standstill or use without a record."
        )
        yield Statement("unknown", text, "not known")


def _gap(start: datetime, end: datetime, logs: tuple[str, str], reader: HistoryReader) -> Statement:
    text = (
        f"No record from {reader.day(start)} to {reader.day(end)} "
        f"({numbers.duration((end - start).total_seconds())}). What happened in that time is not known."
    )
    return Statement("unknown", text, "not known", start, end, logs=logs)
