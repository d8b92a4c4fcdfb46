"""The night: what is new, what is open and since when, what was done about it; one key to the next."""

from __future__ import annotations

from starlette.responses import Response

from herdbook.pipeline.book import stop_use
from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.tables import TableQuestion, copies
from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.night.read_changes import read_changes
from herdbook.pipeline.reports.words.cautions import GENERAL, LAW
from herdbook.pipeline.store.statements import ask, statement
from herdbook.pipeline.times import utc_now

MOST = 500  # lines of the change list; the rest is counted
MOST_OPEN = 300


def open_matters() -> TableQuestion:
    return TableQuestion(statement(__name__, "open_matters"), {}, {}, "since_t, vehicle, rule, item")


def changes(asked: Asked) -> TableQuestion:
    """Of the night that the address names, else of the newest. Raises: NotKnownError."""
    scan = asked.one("scan")
    if not scan:
        with asked.store.read() as con:
            found = ask(con, __name__, "nights")
        if not found:
            raise NotKnownError("no night has been closed yet", do="`herdbook scan` closes one")
        scan = str(found[0]["scan"])
    return changes_of(scan)


def changes_of(scan: str) -> TableQuestion:
    return TableQuestion(statement(__name__, "changes_told"), {"scan": scan}, {}, "vehicle, title, item, change")


def page(asked: Asked) -> Response:
    scan = asked.one("scan")
    with asked.store.read() as con:
        nights = ask(con, __name__, "nights")
        if scan and scan not in {n["scan"] for n in nights}:
            raise NotKnownError(f"no night {scan!r} is on record", do="Choose one of the list on the page /night")
        told = read_changes(con, scan)
        matters = stop_use.once([m for m in stop_use.matters(con) if m.open], utc_now())
    listed = [c for c in told.changes_once() if c.change != "first seen"] if told else []
    return asked.page(
        "the_night.html.j2",
        nights=nights,
        told=told,
        changes=listed[:MOST],
        more=max(0, len(listed) - MOST),
        first_seen=[c for c in told.changes if c.change == "first seen"] if told else [],
        matters=matters[:MOST_OPEN],
        matters_more=max(0, len(matters) - MOST_OPEN),
        now=utc_now(),
        general=GENERAL,
        law=LAW,
        open_copied=copies(asked.store.folder, open_matters().text()),
        changes_copied=copies(asked.store.folder, changes_of(told.scan).text()) if told else None,
    )
