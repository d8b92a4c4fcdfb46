"""The fleet list: every vehicle, sorted, searched and paged in the database."""

from __future__ import annotations

from typing import Any

from starlette.responses import Response

from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.tables import TableQuestion, copies, page_of
from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.store.statements import statement

SHOWN = {
    "": "all",
    "stop-use": "stop use",
    "service": "service",
    "note": "note",
    "clear": "no finding",
    "silent": "silent",
    "unknown": "not assessed",
}
GRAVEST = "stop_use DESC, service DESC, note DESC, vehicle"
ORDERS = {
    "vehicle": "vehicle",
    "findings": "stop_use, service, note",
    "batch": "batch",
    "firmware": "firmware",
    **{name: f'"{name}"' for name in SUBSYSTEMS},
    "sessions": "sessions",
    "last": "last_t",
}


def question(asked: Asked) -> TableQuestion:
    show = asked.one("show")
    given: dict[str, Any] = {"find": asked.one("find").lower().split()[:12], "show": show if show in SHOWN else ""}
    return TableQuestion(statement(__name__, "fleet"), given, ORDERS, GRAVEST)


def page(asked: Asked) -> Response:
    wanted, by, down = question(asked), asked.one("sort"), asked.one("down") == "1"
    number = asked.one("page", "1")
    with asked.store.read() as con:
        found = page_of(con, wanted, by, down, int(number) if number.isdecimal() and len(number) < 9 else 1)
        newest = con.execute("SELECT max(last_t), count(*) FROM vehicles").fetchall()[0]
    return asked.page(
        "fleet_list.html.j2",
        found=found,
        newest=newest[0],
        vehicles=newest[1],
        shown=SHOWN,
        orders=ORDERS,
        by=by,
        down=down,
        copied=copies(asked.store.folder, wanted.text(by, down)),
    )
