"""The lines about what is not known: gaps in the record, damaged logs, doubtful clocks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from herdbook.pipeline.reports.facts import Facts, Row
from herdbook.pipeline.reports.history.statement import Line, Reader
from herdbook.pipeline.reports.words import names as plain
from herdbook.pipeline.reports.words import numbers as words

GAP = timedelta(days=2)  # engineering choice: shorter pauses are summed up in one line


def lines(facts: Facts, reader: Reader) -> Iterator[Line]:
    yield from _gaps(facts, reader)
    for log in facts.logs:
        yield from _of_log(log)


def _of_log(log: Row) -> Iterator[Line]:
    def line(text: str, basis: str = "recorded") -> Line:
        return Line("unknown", text, basis, log["start_t"], log["end_t"], logs=(log["log"],))

    if log["status"] != "whole":
        lost = f"; {words.size(log['lost_bytes'])} of it could not be read" if log["lost_bytes"] else ""
        yield line(f"The log {log['name']} is incomplete{lost}.")
    for note in log["clock_notes"]:
        yield line(f"Clock of the log {log['name']}: {note.rstrip('.')}.")
    if log["clock"] != "utc":
        yield line(
            f"The log {log['name']} has no absolute clock of its own; its place in time comes from the "
            f"{plain.clock(log['clock'])}.",
            "stated",
        )


def _gaps(facts: Facts, reader: Reader) -> Iterator[Line]:
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
            f"Shorter pauses between records add up to {words.duration(short.total_seconds())}; they may be "
            "standstill or use without a record."
        )
        yield Line("unknown", text, "not known")


def _gap(start: datetime, end: datetime, logs: tuple[str, str], reader: Reader) -> Line:
    text = (
        f"No record from {reader.day(start)} to {reader.day(end)} "
        f"({words.duration((end - start).total_seconds())}). What happened in that time is not known."
    )
    return Line("unknown", text, "not known", start, end, logs=logs)
