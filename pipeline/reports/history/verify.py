"""Is a history what was written? A few checks, each with a plain answer and with what it proves and does not prove."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import TemplateError

from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.reports.history import forms, paper
from herdbook.pipeline.reports.history.compare import compared
from herdbook.pipeline.reports.history.document import FORM, document, sealed
from herdbook.pipeline.reports.history.read_file import HistoryFile, of_csv, read_file
from herdbook.pipeline.reports.history.signature import blank, is_signed_with
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.signing_key import public_key, read_public_key
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import from_stamp

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

Document = dict[str, Any]
MOST_NAMED = 5
UNSIGNED = "sealed but not signed: anybody could have made this seal"


@dataclass(frozen=True, slots=True)
class Check:
    """proves: what the check proves when it holds, and what it does not."""

    what: str
    ok: bool
    detail: str
    proves: str


@dataclass(frozen=True, slots=True)
class Verification:
    """differences: what the file says otherwise than the store, one by one. unchecked: what was not looked at."""

    path: Path
    vehicle: str
    checks: tuple[Check, ...]
    differences: tuple[str, ...] = ()
    unchecked: str = ""

    @property
    def ok(self) -> bool:
        return all(check.ok for check in self.checks)

    def as_dict(self) -> dict[str, Any]:
        checks = [{"what": c.what, "ok": c.ok, "detail": c.detail, "proves": c.proves} for c in self.checks]
        more = {"differences": list(self.differences), "unchecked": self.unchecked}
        return {"file": str(self.path), "vehicle": self.vehicle, "ok": self.ok, "checks": checks} | more


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
    signed = _signed(file, expected, whose)
    page: tuple[Check, ...] = (_page(file, signed.ok),) if file.form == "html" else ()
    page += (_paper(file),) if file.paper else ()
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


def _signed(file: HistoryFile, expected: str, whose: str) -> Check:
    what = "It is as it was signed"
    proves = (
        "whoever holds the private key signed exactly this. Not who that is, not when, not that the records are true"
    )
    made, own = file.made, file.public_key
    signature = str(made.get("signature", "")) if file.form == "json" else blank(file.text, file.form)[0]
    if not signature:
        torn = file.form != "csv" and sealed(made)["seal"] != made["seal"]
        detail = "neither signed nor sealed: its content does not give the seal it carries" if torn else UNSIGNED
        return Check(what, False, detail, proves)
    if not expected:
        detail = "this store has no key yet, so it signed nothing; give the key of the store that did: --public-key"
        return Check(what, False, detail, proves)
    if is_signed_with(expected, file.text, file.form, made):
        return Check(what, own == expected, f"by {whose}, {expected[:16]}…", proves)
    if own == expected:
        return Check(
            what, False, "something was changed since it was signed, or it was never signed by this key", proves
        )
    intact = is_signed_with(own, file.text, file.form, made)
    detail = f"not signed by {whose} ({expected[:16]}…) but by another ({own[:16]}…)"
    more = ": another store's file, or one that somebody made" if intact else ", and changed since"
    return Check(what, False, detail + more, proves)


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


def _paper(file: HistoryFile) -> Check:
    """The PDF against the page in it, printed again."""
    what = "The paper shows the page inside it"
    proves = "what is printed is that page, nothing added or left out. Not that the page is true"
    by, day = paper.producer(file.paper), re.sub(r"\D", "", (file.made.get("data_until") or "1970-01-01T00:00:00")[:19])
    try:
        again = paper.printed(file.text, day)
    except SettingsError as problem:
        return Check(what, False, f"not looked at: {problem}", proves)
    if again == file.paper:
        return Check(what, True, "byte for byte, printed again", proves)
    if paper.producer(again) != by:
        detail = f"not known: it was printed by {by}, this machine prints with {paper.producer(again)}; read the page"
        return Check(what, False, f"{detail} inside it ({paper.ATTACHED}), which is what was signed", proves)
    return Check(what, False, f"changed since it was printed; read the page inside it ({paper.ATTACHED})", proves)


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
