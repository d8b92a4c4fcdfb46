"""The tables that pages show, whole, as files."""

from __future__ import annotations

from collections.abc import Callable

from starlette.responses import Response

from herdbook.pipeline.desk import batch, fleet, history, night, vehicle
from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.files import as_file
from herdbook.pipeline.desk.tables import TableQuestion
from herdbook.pipeline.errors import NotKnownError

TABLES: dict[str, Callable[[Asked], TableQuestion]] = {
    "fleet": fleet.question,
    "findings": lambda asked: vehicle.findings_of(asked.one("v")),
    "open": lambda _: night.open_matters(),
    "changes": night.changes,
    "figures": batch.figures,
    "shared": batch.shared,
    "basis": lambda asked: history.basis_of(asked.one("v")),
    "scores": lambda asked: vehicle.scores_of(asked.one("v")),
    "sessions": lambda asked: vehicle.sessions_of(asked.one("v")),
}


def file(asked: Asked) -> Response:
    name = asked.path.rpartition("/")[2]
    if name not in TABLES:
        raise NotKnownError(f"there is no table {name!r}", do=f"There are: {', '.join(TABLES)}")
    question = TABLES[name](asked)
    named = "-".join(part for part in (name, asked.one("v")) if part)
    with asked.store.read() as con:
        sql = question.ordered(asked.one("sort"), asked.one("down") == "1")
        return as_file(asked, con, sql, dict(question.given), asked.one("as", "csv"), named)
