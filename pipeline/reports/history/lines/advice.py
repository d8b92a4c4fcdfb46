"""The lines for the desk: safety, returning the pack, sending the file on, who looked, what people decide."""

from __future__ import annotations

from collections.abc import Iterator

from herdbook.pipeline.reports.history.context import Desk
from herdbook.pipeline.reports.history.lines.events import standing, title
from herdbook.pipeline.reports.history.statement import Line
from herdbook.pipeline.reports.page import html as page
from herdbook.pipeline.reports.words import cautions
from herdbook.pipeline.reports.words import numbers as words

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


def lines(desk: Desk) -> Iterator[Line]:
    yield escalation(desk)
    for caution in cautions.for_return(standing(desk)):
        yield Line("advice", f"{caution.text} Source: {caution.source}.", "advice", topic="Returning the pack")
    yield Line("advice", f"{cautions.LAW}", "advice", topic="Returning the pack")
    yield looked(desk)
    yield Line("advice", PRIVATE, "advice", topic="Sending this on")
    yield Line("advice", DECIDED, "advice", topic="Decided by people")


def escalation(desk: Desk) -> Line:
    """Is there a matter of safety to pass on now."""
    stop = [f for f in standing(desk) if f["severity"] == "stop-use"]
    if stop:
        names = words.listing([title(desk, f) for f in stop])
        text = (
            f"There is a matter of safety: {names}. Tell the person responsible for product safety today, keep the "
            "vehicle from being used or charged, and keep its logs. Whether an authority must be told, and by when, is "
            "for that person to find out under local law."
        )
    else:
        text = (
            "No stop-use finding stands in the data available, so this file gives no reason to pass on a matter of "
            "safety; it is no proof of safety. Anything reported by a person about heat, smoke, brakes or loss of "
            "control goes to the person responsible for product safety whatever this file says."
        )
    return Line("advice", text, "advice", topic="Safety")


def looked(desk: Desk) -> Line:
    """Who wrote the file, when, with what."""
    using = f"with herdbook {page.program_version()}, from the scan named at the top"
    if desk.by:
        at = f" on {words.moment(desk.at, desk.reader.zone, False)}" if desk.at else ""
        text = f"Written by {desk.by}{at} {using}. The name is as entered with the command; nobody checked it."
        return Line("advice", text, "stated", topic="Who looked")
    text = f"Nobody is named, and no time: written {using}; so the same records give the same file. --by adds both."
    return Line("advice", text, "not known", topic="Who looked")
