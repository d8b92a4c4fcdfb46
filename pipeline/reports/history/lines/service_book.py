"""The lines of the service book: what people entered, in their words, with who and when."""

from __future__ import annotations

from collections.abc import Iterator

from herdbook.pipeline.book.entry import Entry
from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.statement import Source, Statement

STATED = "Entered by people; nothing here was checked against the vehicle."


def lines(given: HistoryContext) -> Iterator[Statement]:
    """Every entry that held at the time asked for, in the order of what happened; then what was struck or corrected."""
    entries = given.facts.book
    held = [e for e in entries if e.holds]
    for e in held:
        yield _line(given, e)
    gone = len([e for e in entries if not e.holds and e.kind != "struck"])
    if gone:
        text = f"{gone} earlier entr{'y was' if gone == 1 else 'ies were'} corrected or struck; the service book keeps "
        yield Statement("book", text + f"{'it' if gone == 1 else 'them'}.", "stated", topic="Corrected")
    text = STATED if held else "Nothing is entered in the service book: no complaint, inspection, repair or part."
    yield Statement("book", text, "stated" if held else "not known", topic="What this rests on" if held else "Entries")


def _line(given: HistoryContext, e: Entry) -> Statement:
    about = " ".join(p for p in (e.part, e.serial, f"of batch {e.batch}" if e.batch else "") if p)
    about += f", made by {e.supplier}" if e.supplier else ""
    finding = f"about “{given.facts.rule_title(e.rule)}”{f', {e.item}' if e.item else ''}" if e.rule else ""
    outcome = f"outcome: {e.outcome}" if e.outcome else ""
    said = f"in the words entered: “{e.said}”" if e.said else ""
    text = "; ".join(p for p in (about, finding, outcome, said) if p) or "no more was entered"
    text = f"{text[:1].upper()}{text[1:]}. Entered by {e.made_by} on {given.reader.day(e.made_t)} ({e.source})"
    text += f", in the place of entry {e.corrects}." if e.corrects is not None else "."
    topic = f"{e.kind[:1].upper()}{e.kind[1:]} on {e.when}"
    return Statement(
        "book",
        text,
        "stated",
        e.from_t,
        e.to_t,
        rule=e.rule,
        topic=topic,
        source=Source("service_book", {"entry": (e.entry,)}),
    )
