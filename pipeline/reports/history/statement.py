"""The lines of a history: what was recorded, dated, in neutral words, each with what it rests on.

Language: "recorded", "not covered", "not known". No line names a cause, a person or anybody's fault; causes
and bench checks belong to the dossier, the decision to people.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.history.context import Desk, Reader
from herdbook.pipeline.reports.words import names as plain
from herdbook.pipeline.reports.words import numbers as words

__all__ = ["SECTIONS", "Line", "Reader", "identity", "logs_between", "parts"]

SECTIONS = {
    "short": "In short",
    "identity": "Identity",
    "parts": "Parts and versions over time",
    "use": "Use on record",
    "limits": "Stated limits",
    "capacity": "Capacity of the pack",
    "events": "What was recorded out of the ordinary",
    "herd": "Beside others of its type",
    "unknown": "What is not known",
    "open": "What would change these statements",
    "advice": "Safety, return, sending on, deciding",
}


@dataclass(frozen=True, slots=True)
class Line:
    """One statement. topic: a word or two in front of it. logs: SHA-256 of the logs it rests on.

    basis: "recorded" (read from a log), "computed" (from recorded values), "stated" (entered by somebody, in a
    sidecar, a profile or for this file), "advice" (what to do, with its source), or "not known".
    """

    section: str
    text: str
    basis: str
    start: datetime | None = None
    end: datetime | None = None
    severity: str = ""
    value: float | None = None
    unit: str = ""
    se: float | None = None
    coverage: float | None = None
    logs: tuple[str, ...] = ()
    rule: str = ""
    rule_set: str = ""
    topic: str = ""


def logs_between(facts: Facts, start: datetime, end: datetime) -> tuple[str, ...]:
    return tuple(log["log"] for log in facts.logs if log["start_t"] <= end and log["end_t"] >= start)


def identity(facts: Facts, reader: Reader) -> Iterator[Line]:
    """Who it is, when it was built and put into service, and what the record spans."""
    about = facts.about
    every = tuple(log["log"] for log in facts.logs)
    how = words.listing(sorted({plain.told_by(log["identity_by"]) for log in facts.logs})) or "nothing on record"
    yield Line("identity", f"The records belong to vehicle {facts.vehicle}, by {how}.", "recorded", logs=every)
    if about["batch"]:
        yield Line("identity", f"Production batch {about['batch']}.", "stated", logs=facts.stated.get("batch", ()))
    for key, said in (("built", "Built on"), ("in_service", "In service since")):
        if about[key]:
            by = f" (by {plain.told_by(about['in_service_by'])})" if key != "built" and about["in_service_by"] else ""
            yield Line("identity", f"{said} {words.day(about[key])}{by}.", "stated", logs=facts.stated.get(key, ()))
        else:
            what = "building" if key == "built" else "going into service"
            yield Line("unknown", f"The date of {what} is not known.", "not known")
    text = "Terms, beginning and end of a warranty are not recorded in this store."
    yield Line("identity", text, "not known", topic="Warranty")
    if facts.logs:
        first, last = facts.logs[0], max(facts.logs, key=lambda log: log["end_t"])
        text = f"First record {reader.day(first['start_t'])}, last record {reader.day(last['end_t'])}."
        yield Line("identity", text, "recorded", first["start_t"], last["end_t"], logs=(first["log"], last["log"]))


def parts(desk: Desk) -> Iterator[Line]:
    """Which pack, controller, firmware and hardware was seen from when to when, and what is not told about repairs."""
    facts, reader = desk.facts, desk.reader
    for row in facts.installs:
        text = (
            f"{plain.component(row['component'])} {row['serial']} was seen from {reader.day(row['from_t'])} "
            f"to {reader.day(row['to_t'])}, by {plain.told_by(row['known_by'])}."
        )
        logs = logs_between(facts, row["from_t"], row["to_t"])
        yield Line("parts", text, "recorded", row["from_t"], row["to_t"], logs=logs)
    yield Line(
        "parts",
        "Repairs, recalls, campaigns and complaints are not recorded in this store, so it cannot say whether one was "
        "announced or carried out; it knows only the parts and versions that the vehicle itself reported, and when.",
        "not known",
        topic="Repairs and campaigns",
    )
