"""What to do, for who answers the customer: safety, returning the pack, sending on, who looked, what people decide."""

from __future__ import annotations

from collections.abc import Iterator

from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.voice import order_of
from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.lines.events import standing, title
from herdbook.pipeline.reports.history.statement import Statement
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.words import cautions, numbers

DECIDED = (
    "Nothing is decided by this file. Whether a claim is met, whether the vehicle may be used again, whom to tell, and "
    "what caused what are decided by people, who can ask for another look; where law gives a person the right to a "
    "decision made by people, this file is one document among others."
)
PRIVATE = (
    "This file names one vehicle, the serial numbers of its parts, when it was used and how far, and the names of its "
    "log files. It holds no position and no other vehicle: others appear as counts. Names of log files may hold names "
    "of people: read the list first. Times of use can be personal data; local law says who may see them."
)


def lines(given: HistoryContext) -> Iterator[Statement]:
    yield escalation(given)
    for caution in cautions.for_return(standing(given)):
        yield Statement("advice", f"{caution.text} Source: {caution.source}.", "advice", topic="Returning the pack")
    yield Statement("advice", f"{cautions.LAW}", "advice", topic="Returning the pack")
    yield looked(given)
    yield Statement("advice", PRIVATE, "advice", topic="Sending this on")
    yield Statement("advice", DECIDED, "advice", topic="Decided by people")


def escalation(given: HistoryContext) -> Statement:
    """Is there a matter of safety to pass on now."""
    stop = [f for f in standing(given) if f["severity"] == Severity.STOP_USE]
    if stop:
        names = numbers.listing([title(given, f) for f in stop])
        text = (
            f"There is a matter of safety: {names}. {order_of(Severity.STOP_USE)} Tell the person responsible for "
            "product safety today, and keep its logs. Whether an authority must be told, and by when, is for that "
            "person to find out under local law."
        )
    else:
        service = [f for f in standing(given) if f["severity"] == Severity.SERVICE]
        named = numbers.listing([title(given, f) for f in service])
        text = (
            (f"Findings that need service stand: {named}. {order_of(Severity.SERVICE)} " if service else "")
            + "No stop-use finding stands in the data available. That is no proof of safety: what was not recorded is "
            "not in this file. Anything reported by a person about heat, smoke, brakes or loss of control goes to the "
            "person responsible for product safety whatever this file says."
        )
    return Statement("advice", text, "advice", topic="Safety")


def looked(given: HistoryContext) -> Statement:
    """Who wrote the file, when, with what."""
    using = f"with herdbook {html.program_version()}, from the scan named at the top"
    if given.by:
        at = f" on {numbers.moment(given.at, given.reader.zone, False)}" if given.at else ""
        text = f"Written by {given.by}{at} {using}. The name is as entered with the command; nobody checked it."
        return Statement("advice", text, "stated", topic="Who looked")
    text = f"Nobody is named, and no time: written {using}; so the same records give the same file. --by adds both."
    return Statement("advice", text, "not known", topic="Who looked")
