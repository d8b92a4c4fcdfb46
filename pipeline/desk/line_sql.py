"""The rows that one line of a history was made from, as a question to the published catalogue."""

from __future__ import annotations

from collections.abc import Collection

from herdbook.pipeline.desk.tables import TableQuestion
from herdbook.pipeline.reports.history.statement import Source, Statement
from herdbook.pipeline.store.statements import statement

ORDERS = {  # by what the rows of a table are put in order
    "metrics": "start_t, name, item",
    "sessions": "start_t",
    "service_book": "entry",
    "installs": "from_t",
    "acceptances": "from_t",
    "figures_since_birth": "figure, item",
}
LEFT_OUT = {"acceptances": " EXCLUDE (document)"}  # the certificate, a page long
MOST_LOGS = 200  # that a question names one by one


def question_of(vehicle: str, line: Statement, logs: Collection[str]) -> TableQuestion | None:
    """logs: all of the vehicle. None for a line without rows behind it: advice, and what is not known."""
    if line.source is not None:
        return _rows(vehicle, line.source)
    if line.rule:
        return TableQuestion(statement(__name__, "line_finding"), {"vehicle": vehicle, "rule": line.rule}, {}, "told_t")
    if not line.logs:
        return None
    named = list(line.logs) if set(line.logs) < set(logs) and len(line.logs) <= MOST_LOGS else []
    return TableQuestion(statement(__name__, "line_logs"), {"vehicle": vehicle, "logs": named}, {}, "start_t, log")


def _rows(vehicle: str, source: Source) -> TableQuestion:
    given: dict[str, object] = {"vehicle": vehicle}
    held = ["vehicle = $vehicle"]
    for column, values in source.where.items():
        given[f"of_{column}"] = values[0] if len(values) == 1 else list(values)
        held.append(f"{column} = $of_{column}" if len(values) == 1 else f"list_contains($of_{column}, {column})")
    sql = f"SELECT *{LEFT_OUT.get(source.table, '')} FROM {source.table} WHERE {' AND '.join(held)}"
    return TableQuestion(sql, given, {}, ORDERS[source.table])
