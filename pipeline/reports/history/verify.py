"""Does a history file still match the store? A few checks, each with a plain answer."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.errors import InputError, NotKnownError
from herdbook.pipeline.reports.history import forms
from herdbook.pipeline.reports.history.document import FORM, document, sealed
from herdbook.pipeline.reports.history.lines.summary import AMONG
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import from_stamp

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

Document = dict[str, Any]
_EMBEDDED = re.compile(r'<script type="application/json" id="history">(.*?)</script>', re.DOTALL)
FLEET = (("herd", None), ("short", AMONG))  # section and topic (None: any) of lines that move with the fleet
NEEDED = ("form", "vehicle", "zone", "units", "as_of", "seal", "logs")
MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class Check:
    what: str
    ok: bool
    detail: str


@dataclass(frozen=True, slots=True)
class Verification:
    path: Path
    vehicle: str
    checks: tuple[Check, ...]

    @property
    def ok(self) -> bool:
        return all(check.ok for check in self.checks)

    def as_dict(self) -> dict[str, Any]:
        checks = [{"what": c.what, "ok": c.ok, "detail": c.detail} for c in self.checks]
        return {"file": str(self.path), "vehicle": self.vehicle, "ok": self.ok, "checks": checks}


def verify_history(store: Store, path: Path | str) -> Verification:
    """Check a history file (html, csv or json) against the store.

    Raises: InputError when the file is no history; StoreError when nothing is published.
    """
    file = Path(path)
    try:
        text = file.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        raise InputError(f"cannot be read as text ({problem})", file, "Name a file that `history` wrote") from None
    made, fmt = _read(file, text)
    with store.read() as con:
        known = ask(con, __name__, "logs_of", vehicle=made["vehicle"])
        parts = {row["log"]: row for row in ask(con, __name__, "parts")}
    ledger = {log["log"]: log for log in known}
    named = [log["sha256"] for log in made["logs"]]
    checks = (
        _unaltered(made, fmt, text),
        _in_ledger(named, ledger),
        _parts_intact(store, [ledger[log] for log in named if log in ledger], parts),
        _same_again(store, made, fmt, text),
    )
    return Verification(file, str(made["vehicle"]), checks)


def _read(file: Path, text: str) -> tuple[Document, str]:
    """The document in a file and the form it has; a CSV gives what its document rows say."""
    try:
        if text.startswith("record,"):
            table = list(csv.DictReader(io.StringIO(text, newline="")))
            made: Document = {r["section"]: _plain(r["text"]) for r in table if r["record"] == "document"}
            made |= {"logs": [r for r in table if r["record"] == "log"], "as_of": made.get("as_of") or None}
            fmt = "csv"
        else:
            found = _EMBEDDED.search(text)
            made, fmt = json.loads(found[1] if found else text), "html" if found else "json"
        if not all(key in made for key in NEEDED):
            raise ValueError
    except (ValueError, KeyError, TypeError):
        do = "Name a file that `history` wrote, unchanged"
        raise InputError("is not a history, or a damaged one", file, do) from None
    return made, fmt


def _plain(text: str) -> str:
    return text[1:] if text.startswith("'") and text[1:].startswith(forms.FORMULA) else text


def _unaltered(made: Document, fmt: str, text: str) -> Check:
    what = "The file is as it was written"
    if fmt == "csv":
        return Check(what, True, "a CSV only carries the seal; its rows are compared with the store below")
    if sealed(made)["seal"] != made["seal"]:
        return Check(what, False, "its content does not give the seal it carries: something was changed")
    if fmt == "html" and forms.as_html(made) != text:
        return Check(what, False, "the page differs from its record: changed, or laid out by another version")
    return Check(what, True, f"seal {made['seal'][:16]}")


def _in_ledger(named: list[str], ledger: dict[str, Row]) -> Check:
    lost = [log for log in named if log not in ledger]
    detail = f"missing: {_some(lost)}" if lost else numbers.plural(len(named), "log")
    return Check("Every log it names is in the ledger", not lost, detail)


def _parts_intact(store: Store, logs: list[Row], parts: dict[str, Row]) -> Check:
    """Hash the stored columns of every log. A part that was merged into a larger one is hashed as that."""
    what = "The stored data behind it is unchanged"
    bad: list[str] = []
    hashes: dict[str, str | None] = {}
    merged = 0
    for log in logs:
        part = parts.get(log["log"])
        if part is None:
            bad.append(f"the data of {log['name']} have expired or are gone")
            continue
        own = part["part"] == log["part"]
        merged += not own
        expected = log["part_hash"] if own else part["hash"]
        if part["part"] not in hashes:
            hashes[part["part"]] = store.lake.hash_of(part["part"])
        found = hashes[part["part"]]
        if found != expected:
            bad.append(f"{part['part']} is missing" if found is None else f"{part['part']} has another hash")
    detail = f"{numbers.plural(len(hashes), 'part')} hashed"
    detail += f"; {merged} of {numbers.plural(len(logs), 'log')} since merged into larger ones" if merged else ""
    return Check(what, not bad, _some(list(dict.fromkeys(bad))) if bad else detail)


def _same_again(store: Store, made: Document, fmt: str, text: str) -> Check:
    what = "The store gives the same lines today"
    try:
        as_of = from_stamp(made["as_of"]) if made["as_of"] else None
        at = from_stamp(made["at"]) if made.get("at") else None
        again = document(
            store,
            made["vehicle"],
            zone=made["zone"],
            units=made["units"],
            as_of=as_of,
            by=made.get("by", ""),
            at=at,
        )
    except NotKnownError as problem:
        return Check(what, False, str(problem))
    if made["form"] != FORM:
        text = f"it was written in the form {made['form']}, this program writes {FORM}: write it anew to compare"
        return Check(what, False, text)
    before, now = (_told(text, made, fmt), _told(forms.as_csv(again), again, fmt))
    differ = [name for name, line in before if not _of_fleet(line) and line not in [x for _, x in now]]
    further = len([x for _, x in now if not _of_fleet(x)]) > len([x for _, x in before if not _of_fleet(x)])
    moved = [name for name, line in before if _of_fleet(line) and line not in [x for _, x in now]]
    if not differ and not further:
        aside = f"; counts over the fleet have moved since: {_some(moved)}" if moved else ""
        return Check(what, True, f"every line about this vehicle{aside}" if moved else "every line")
    more = len(again["logs"]) - len(made["logs"])
    why = f"; {numbers.plural(more, 'log')} came in since" if more > 0 else ""
    return Check(what, False, _some([*differ, *(["further lines"] if further else [])]) + why)


def _told(text: str, made: Document, fmt: str) -> list[tuple[str, Document]]:
    """What a file says, line by line, each with a name to point at it; the running number itself does not count."""
    if fmt == "csv":
        table = csv.DictReader(io.StringIO(text, newline=""))
        rows = [(f"row {number}", row) for number, row in enumerate(table, start=2) if row["record"] != "document"]
        return [(name, row | {"no": ""} if row["record"] == "line" else row) for name, row in rows]
    return [(f"line {line['no']}", {k: v for k, v in line.items() if k != "no"}) for line in made["lines"]]


def _of_fleet(line: Document) -> bool:
    """True for counts over other vehicles, which move with the fleet."""
    return any(line["section"] == section and topic in (None, line["topic"]) for section, topic in FLEET)


def _some(names: list[str]) -> str:
    rest = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {rest} more" if rest > 0 else "")
