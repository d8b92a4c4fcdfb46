"""Who the vehicle is, and which parts and versions it had."""

from __future__ import annotations

from collections.abc import Iterator

from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.history.context import HistoryContext, HistoryReader
from herdbook.pipeline.reports.history.statement import SECTIONS, Source, Statement, logs_between
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.store.statements import Row


def lines(facts: Facts, reader: HistoryReader) -> Iterator[Statement]:
    """Who it is, when it was built and put into service, and what the record spans."""
    about = facts.about
    every = tuple(log["log"] for log in facts.logs)
    how = numbers.listing(sorted({names.told_by(log["identity_by"]) for log in facts.logs})) or "nothing on record"
    yield Statement("identity", f"The records belong to vehicle {facts.vehicle}, by {how}.", "recorded", logs=every)
    for row in facts.corrections:
        yield _correction(row, facts.vehicle, reader)
    if ref := about.get("customer_ref"):
        logs = facts.stated.get("customer_ref", ())
        yield Statement("identity", f"The customer's own name of it is {ref}.", "stated", logs=logs)
    if about["batch"]:
        yield Statement("identity", f"Production batch {about['batch']}.", "stated", logs=facts.stated.get("batch", ()))
    for key, said in (("built", "Built on"), ("in_service", "In service since")):
        if about[key]:
            by = f" (by {names.told_by(about['in_service_by'])})" if key != "built" and about["in_service_by"] else ""
            yield Statement(
                "identity", f"{said} {numbers.day(about[key])}{by}.", "stated", logs=facts.stated.get(key, ())
            )
        else:
            what = "building" if key == "built" else "going into service"
            yield Statement("unknown", f"The date of {what} is not known.", "not known")
    text = "Terms, beginning and end of a warranty are not recorded in this store."
    yield Statement("identity", text, "not known", topic="Warranty")
    if facts.logs:
        first, last = facts.logs[0], max(facts.logs, key=lambda log: log["end_t"])
        text = f"First record {reader.day(first['start_t'])}, last record {reader.day(last['end_t'])}."
        yield Statement("identity", text, "recorded", first["start_t"], last["end_t"], logs=(first["log"], last["log"]))


def _correction(row: Row, vehicle: str, reader: HistoryReader) -> Statement:
    """What a person said of one log that was, or is, this vehicle's."""
    to = row["to_vehicle"]
    became = "was forgotten" if to is None else "was given to another vehicle" if to != vehicle else "is this vehicle's"
    was = "this vehicle" if row["from_vehicle"] == vehicle else "another vehicle"
    had = f"had been taken for that of {was}" if row["from_vehicle"] else "had been refused"
    text = (
        f"The log {row['name']} {had}; by the word of {row['made_by']} on "
        f"{reader.day(row['made_t'])} it {became}. The reason given: {row['why'].rstrip('.')}."
    )
    logs = (row["log"],) if to == vehicle else ()
    return Statement("identity", text, "stated", row["start_t"], row["end_t"], logs=logs, topic="Correction")


def parts(given: HistoryContext) -> Iterator[Statement]:
    """Which pack, controller, firmware and hardware was seen from when to when, and what is not told about repairs."""
    facts, reader = given.facts, given.reader
    for row in facts.installs:
        text = (
            f"{names.component(row['component'])} {row['serial']} was seen from {reader.day(row['from_t'])} "
            f"to {reader.day(row['to_t'])}, by {names.told_by(row['known_by'])}."
        )
        logs = logs_between(facts, row["from_t"], row["to_t"])
        source = Source("installs", {"component": (row["component"],), "serial": (row["serial"],)})
        yield Statement("parts", text, "recorded", row["from_t"], row["to_t"], logs=logs, source=source)
    if any(e.holds for e in facts.book):
        text = "Repairs, recalls, campaigns and complaints are known as far as people entered them, which stands under "
        text += f"“{SECTIONS['book']}”; the"
    else:
        text = "No repair, recall, campaign or complaint is entered in the service book, so this file cannot say "
        text += "whether one was announced or carried out; the"
    text += " parts and versions here are those that the vehicle itself reported, and when."
    yield Statement("parts", text, "not known", topic="Repairs and campaigns")
