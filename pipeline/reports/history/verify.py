"""Is a history what was written? A few checks, each with a plain answer and with what it proves and does not prove."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import TemplateError

from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.reports.history import forms
from herdbook.pipeline.reports.history.compare import compared
from herdbook.pipeline.reports.history.document import FORM, document
from herdbook.pipeline.reports.history.read_file import HistoryFile, of_csv, read_file
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.signature import blank
from herdbook.pipeline.reports.page.signed_checks import Check, Verification, paper_check, signed_check
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.signing_key import public_key, read_public_key
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import from_stamp

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

Document = dict[str, Any]
MOST_NAMED = 5


def verify_history(store: Store | None, path: Path | str, key: str = "") -> Verification:
    """Check a history file (html, pdf, csv or json) against the store it was written from, a public key, or both.

    store None: only what a third party can see who has the file and the key.  key: as read_public_key takes it;
    "": the store's own.
    Raises: InputError when the file is no history; StoreError when nothing is published; SettingsError for a key that
    is none.
    """
    file = read_file(Path(path))
    expected = read_public_key(key) if key else public_key(store) if store else ""
    whose = "the key you gave" if key else "this store's key"
    signed = signed_check(file, expected, whose)
    page: tuple[Check, ...] = (_page(file, signed.ok),) if file.form == "html" else ()
    page += (paper_check(file, file.made.get("data_until")),) if file.paper else ()
    vehicle = file.made["vehicle"]
    if store is None:
        rest = "Not looked at, for want of the store: the logs, the stored data, and whether the records say this."
        return Verification(file.path, vehicle, (signed, *page), unchecked=rest)
    with store.read() as con:
        ledger = {log["log"]: log for log in ask(con, __name__, "logs_of", vehicle=vehicle)}
        parts = {row["log"]: row for row in ask(con, __name__, "parts")}
    same, differences = _same(store, file)
    checks = (signed, _in_ledger(file.logs, ledger), _parts_intact(store, file.logs, ledger, parts), same, *page)
    return Verification(file.path, vehicle, checks, differences)


def _page(file: HistoryFile, signed: bool) -> Check:
    """What a reader sees, against the record inside: no style, script or word may be on the page that is not ours."""
    what = "The page shows its record"
    proves = "what you read is what the record in it says, nothing hidden or added. Not that the record is true"
    made, own = file.made, f"herdbook {html.program_version()}"
    try:
        again = forms.as_html(made)
    except (KeyError, TypeError, ValueError, AttributeError, TemplateError):
        again = ""
    shown = blank(file.text, "html")[1]
    if again == shown:
        return Check(what, True, "byte for byte", proves)
    if made.get("tool") != own and signed:
        detail = (
            f"laid out by {made.get('tool')}, this is {own}: not laid out again; the signature is over the page too"
        )
        return Check(what, True, detail, proves)
    at = next((n for n, (a, b) in enumerate(zip(shown, again, strict=False)) if a != b), min(len(shown), len(again)))
    line = shown.count("\n", 0, at) + 1
    return Check(what, False, f"changed, or laid out by another version: first in line {line} of the file", proves)


def _in_ledger(named: list[str], ledger: dict[str, Row]) -> Check:
    what = "Every log it names is in the ledger"
    proves = "the store took in files with these hashes for this vehicle. Not that nobody touched them before"
    lost = [log for log in named if log not in ledger]
    if named and len(lost) == len(named):
        return Check(what, False, "none of them is: this is not the store it was written from", proves)
    detail = f"missing: {_some(lost)}" if lost else numbers.plural(len(named), "log")
    return Check(what, not lost, detail, proves)


def _parts_intact(store: Store, named: list[str], ledger: dict[str, Row], parts: dict[str, Row]) -> Check:
    """Hash the stored columns of every log. A part that was merged into a larger one is hashed as that."""
    what = "The stored data behind it is unchanged"
    proves = "the columns made of these logs are those of then. Not that the logs held everything that happened"
    logs = [ledger[log] for log in named if log in ledger]
    if named and not logs:
        return Check(what, False, "nothing was hashed: none of its logs is in this store", proves)
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
    return Check(what, not bad, _some(list(dict.fromkeys(bad))) if bad else detail, proves)


def _same(store: Store, file: HistoryFile) -> tuple[Check, tuple[str, ...]]:
    what = "The store gives the same document today"
    proves = (
        "every line is what the records give, but counts over other vehicles and who wrote it when. Not that the "
        "records are complete"
    )
    made = file.made
    try:
        again = document(
            store,
            made["vehicle"],
            zone=made["zone"],
            units=made["units"],
            as_of=from_stamp(made["as_of"]) if made["as_of"] else None,
            by=made.get("by") or "",
            at=from_stamp(made["at"]) if made.get("at") else None,
            public_key=file.public_key,
        )
    except (NotKnownError, SettingsError) as problem:
        return Check(what, False, str(problem), proves), ()
    if made["form"] != FORM:
        text = f"it was written in the form {made['form']}, this program writes {FORM}: write it anew to compare"
        return Check(what, False, text, proves), ()
    found = compared(made, of_csv(forms.as_csv(again)) if file.form == "csv" else again)
    if not found.differ:
        aside = f"; counts over the fleet have moved since: {_some(list(found.moved))}" if found.moved else ""
        return Check(what, True, f"every line about this vehicle{aside}" if aside else "every line", proves), ()
    more = len(again["logs"]) - len(made["logs"])
    why = f"; {numbers.plural(more, 'log')} came in since" if more > 0 else ""
    return Check(what, False, numbers.plural(len(found.differ), "difference") + why, proves), found.differ


def _some(names: list[str]) -> str:
    rest = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {rest} more" if rest > 0 else "")
