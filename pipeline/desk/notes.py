"""What people enter: a note on a stretch of signals, and what was done about a finding. All of it goes to the book."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from herdbook.pipeline.book import book
from herdbook.pipeline.book.drafting import draft_of
from herdbook.pipeline.book.entry import TYPED, Kind, Outcome
from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.look import address, moment_of
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.times import stamp

if TYPE_CHECKING:
    from herdbook.pipeline.book.entry import Draft

KINDS = {  # what the desk offers: the word, and what it means for a finding
    Kind.NOTE: "a note",
    Kind.ACKNOWLEDGED: "acknowledged: somebody has seen it and looks after it",
    Kind.TO_INSPECTION: "sent to inspection",
    Kind.INSPECTION: "inspected, with a result",
    Kind.REPAIR: "repaired: closes a stop-use finding",
    Kind.COMPLAINT: "a complaint",
}
OUTCOMES = {Outcome.CONFIRMED: "confirmed", Outcome.REFUTED: "refuted: closes it", Outcome.UNDECIDED: "undecided"}
MOST_NAMES = 6
STRETCH = re.compile(r"Signals (?P<names>\S.*?) from (?P<start>\S+Z) to (?P<end>\S+Z)\.")


def entered(asked: Asked, name: str) -> str:
    """Write it down; what to say then. Raises: SettingsError for what is refused, BusyError, StoreError."""
    if not asked.field("by").strip():
        raise SettingsError("nobody is named", do="Say who you are under “Entered by”")
    refused, made = book.write(asked.store, [draft(asked, name)])
    if refused:
        raise SettingsError("; ".join(r.why.rstrip(".") for r in refused), do="Correct it and enter it again")
    return f"Entered as no. {made[0].entry} of the service book." if made else "The book says so already."


def draft(asked: Asked, name: str) -> Draft:
    zone = book.zone_for(asked.store, name)
    start, end = moment_of(asked.field("from")), moment_of(asked.field("to"))
    said = asked.field("said").replace("\r\n", "\n").strip()
    when = asked.field("when").strip().replace("T", " ")
    if start and end:
        when = when or f"{_local(start, zone):%Y-%m-%d %H:%M}"
        said = f"{said} {stretch_words(asked.field('signals').split(), start, end)}".strip() if said else ""
    rule, _, item = asked.field("about").partition("\n")
    given = {
        "vehicle": name,
        "kind": asked.field("kind") or Kind.NOTE.value,
        "when": when or f"{datetime.now(zone):%Y-%m-%d %H:%M}",
        "by": asked.field("by"),
        "said": said,
        "rule": rule or asked.field("rule"),
        "item": item or asked.field("item"),
        "outcome": asked.field("outcome"),
    }
    try:
        return draft_of("the entry", given, lambda _: zone, source=TYPED)
    except ValueError as error:
        raise SettingsError(str(error), do="Correct it and enter it again") from None


def _local(t: datetime, zone: ZoneInfo) -> datetime:
    return t.replace(tzinfo=UTC).astimezone(zone)


def stretch_words(names: Sequence[str], start: datetime, end: datetime) -> str:
    """A stretch of signals as a note names it; look_again() finds the way back."""
    shown = [n for n in names if n.isprintable()][:MOST_NAMES] or ["of the vehicle"]
    return f"Signals {', '.join(shown)} from {stamp(start)} to {stamp(end)}."


def look_again(name: str, said: str) -> str:
    """The address of the signals that an entry speaks of; "" where it speaks of none."""
    found = STRETCH.search(said)
    start, end = (moment_of(found["start"]), moment_of(found["end"])) if found else (None, None)
    if not found or not start or not end or start >= end:
        return ""
    names = [n for n in found["names"].split(", ") if n != "of the vehicle"]
    beside = (end - start) / 10
    where = {"from": stamp(start - beside), "to": stamp(end + beside), "mark": f"{stamp(start)}/{stamp(end)}"}
    return address("/window", v=name, s=names, **where)
