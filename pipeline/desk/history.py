"""A history with what each of its lines rests on: sessions, logs and their parts, the rule with its limits, signals."""

from __future__ import annotations

import json
import shlex
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.responses import Response

from herdbook.pipeline.desk.asked import step
from herdbook.pipeline.desk.desk import Asked
from herdbook.pipeline.desk.files import as_kept, handed_over
from herdbook.pipeline.desk.line_sql import question_of
from herdbook.pipeline.desk.tables import Copies, TableQuestion, copies
from herdbook.pipeline.desk.vehicle import USUAL, signals_of, window_address
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.reports.history.document import Document, all_lines, context_of, document_of
from herdbook.pipeline.reports.history.forms import ranges
from herdbook.pipeline.reports.history.statement import Statement
from herdbook.pipeline.reports.history.write import write_history
from herdbook.pipeline.reports.page.html import file_name
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.signing_key import sign_settings
from herdbook.pipeline.store.statements import Row, ask, statement
from herdbook.pipeline.times import from_stamp

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

KINDS = {
    "html": "text/html; charset=utf-8",
    "pdf": "application/pdf",
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
}
MOST_SESSIONS = 12  # named for a line; the rest is counted
MOST_LOGS = 40


@dataclass(frozen=True)
class Basis:
    """What one line rests on. logs: of the document. parts: file of the lake by log. rule: as its rule set has it."""

    sessions: list[Row]
    more_sessions: int
    logs: list[Document]
    more_logs: int
    parts: dict[str, str]
    rule: dict[str, Any] | None
    look: str


def page(asked: Asked) -> Response:
    name, given = asked.one("v"), _given(asked)
    step(0, 2, "steps: the document")
    context = context_of(asked.store, name, **given)
    statements = all_lines(context)
    made = document_of(context, statements)
    step(1, 2, "steps: what it rests on")
    with asked.store.read() as con:
        sessions = ask(con, __name__, "sessions_of", vehicle=name)
        parts = {row["log"]: row["part"] for row in ask(con, __name__, "logs_and_parts", vehicle=name)}
        sets = con.execute("SELECT rule_set, rules FROM rule_sets").fetchall()
        findings = ask(con, __name__, "findings", vehicle=name)
    rules = _rules(sets)
    signals = {f["rule"]: signals_of(f) for f in findings}
    behind = {id(line): of for line, of in zip(made["lines"], statements, strict=True)}
    zone = numbers.zone_of(made["zone"])
    grouped = [
        (key, title, [line for line in made["lines"] if line["section"] == key])
        for key, title in made["sections"].items()
    ]
    return asked.page(
        "the_history.html.j2",
        doc=made,
        grouped=[g for g in grouped if g[2]],
        rows_of=lambda line: _rows_of(asked.store, name, behind[id(line)], parts),
        basis=lambda line: _basis(line, made, sessions=sessions, parts=parts, rules=rules, signals=signals),
        ranges=ranges,
        at=lambda t: numbers.moment(from_stamp(t) if isinstance(t, str) else t, zone),
        session_look=lambda s: window_address(name, list(USUAL), s["start_t"], s["end_t"]),
        copied=copies_of(asked.store, name, **given),
    )


def _rows_of(store: Store, vehicle: str, line: Statement, logs: Collection[str]) -> Copies | None:
    question = question_of(vehicle, line, logs)
    return copies(store.folder, question.text()) if question else None


def basis_of(vehicle: str) -> TableQuestion:
    return TableQuestion(statement(__name__, "history_basis"), {"vehicle": vehicle}, {}, "kind, start_t, words, sha256")


def copies_of(store: Store, vehicle: str, *, zone: str | None, units: str, as_of: datetime | None) -> Copies:
    """The document by command and in Python; in SQL what it rests on, for no statement puts its lines in words."""
    then = as_of.isoformat(timespec="seconds") if as_of else None  # as both read it
    options = [("--as-of", then), ("--zone", zone), ("--units", units), ("--store", str(store.folder))]
    told = "".join(f" {name} {shlex.quote(value)}" for name, value in options if value)
    given = "".join(f", {key}={value!r}" for key, value in (("as_of", then), ("zone", zone)) if value)
    python = (
        f"import herdbook\n\nfleet = herdbook.open({str(store.folder)!r})\n"
        f"lines = fleet.history({vehicle!r}, units={units!r}{given})\nprint(lines)\n"
    )
    name = shlex.quote(vehicle)
    command = f"herdbook history {name}{told} --out {shlex.quote(f'history-{file_name(vehicle)}.html')}"
    return Copies(command, copies(store.folder, basis_of(vehicle).text()).sql, python)


def _given(asked: Asked) -> dict[str, Any]:
    """zone, units and as_of of the address. Raises: SettingsError."""
    as_of = asked.one("as_of")
    then = None
    if as_of:
        try:
            then = from_stamp(as_of)
        except ValueError:
            raise SettingsError(f"{as_of!r} is no date", do="Write it like 2026-03-20") from None
    return {"zone": asked.one("zone") or None, "units": asked.one("units", "km") or "km", "as_of": then}


def _rules(sets: list[tuple[str, str]]) -> dict[tuple[str, str], dict[str, Any]]:
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for name, text in sets:
        try:
            found |= {(name, rule["id"]): rule for rule in json.loads(text)}
        except (ValueError, KeyError, TypeError):
            continue  # a rule set in another form: its lines name the rule alone
    return found


def _basis(
    line: Document,
    made: Document,
    *,
    sessions: list[Row],
    parts: dict[str, str],
    rules: dict[tuple[str, str], dict[str, Any]],
    signals: dict[str, list[str]],
) -> Basis:
    logs = [log for log in made["logs"] if log["no"] in set(line["logs"])]
    hashes = {log["sha256"] for log in logs}
    start, end = (from_stamp(line[key]) if line[key] else None for key in ("from", "to"))
    of = [s for s in sessions if hashes & set(s["logs"]) and _meets(s, start, end)]
    named = signals.get(line["rule"]) or list(USUAL)
    return Basis(
        sessions=of[:MOST_SESSIONS],
        more_sessions=max(0, len(of) - MOST_SESSIONS),
        logs=logs[:MOST_LOGS],
        more_logs=max(0, len(logs) - MOST_LOGS),
        parts={log: parts.get(log, "") for log in hashes},
        rule=rules.get((line["rule_set"], line["rule"])),
        look=window_address(made["vehicle"], named, start, end) if start and end and start < end and logs else "",
    )


def _meets(session: Row, start: datetime | None, end: datetime | None) -> bool:
    return start is None or end is None or (session["start_t"] <= end and session["end_t"] >= start)


def file(asked: Asked) -> Response:
    """The signed file, as `herdbook history` writes it. Raises: SettingsError, StoreError."""
    form, name = asked.one("form", "html"), asked.one("v")
    if form not in KINDS:
        raise SettingsError(f"no history is written as {form!r}", do="Choose html, pdf, csv or json")
    given, by = _given(asked), asked.one("by")

    if sign_settings(asked.store).time_stamp:  # its answer is kept beside the file, where `herdbook history` writes too
        written = write_history(asked.store, name, asked.store.pages, fmt=form, by=by, **given)
        return as_kept(asked, written, KINDS[form])

    def write(path: Path) -> None:
        write_history(asked.store, name, path, fmt=form, by=by, **given)

    return handed_over(asked, write, form, f"history-{name}", KINDS[form])
