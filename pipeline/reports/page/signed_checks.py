"""Checks of a signed file, a history or a certificate: each with a plain answer and with what it proves and does
not."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.reports.page import paper
from herdbook.pipeline.reports.page.signature import blank, is_signed_with, sealed
from herdbook.pipeline.reports.page.signed_file import SignedFile

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


def signed_check(file: SignedFile, expected: str, whose: str) -> Check:
    """expected: the public key it has to be signed with, "" for none known; whose: in words."""
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


def paper_check(file: SignedFile, until: str | None, name: str = paper.ATTACHED) -> Check:
    """The PDF against the page in it, printed again. until: end of its data, as a stamp; name: of the page in it.

    What one printing on a busy machine gets otherwise than the next is no change of the paper: only printings that
    agree with each other speak against it."""
    what = "The paper shows the page inside it"
    proves = "what is printed is that page, nothing added or left out. Not that the page is true"
    by, day = paper.producer(file.paper), re.sub(r"\D", "", (until or "1970-01-01T00:00:00")[:19])
    try:
        again = paper.printed(file.text, day, name)
    except SettingsError as problem:
        return Check(what, False, f"not looked at: {problem}", proves)
    if again == file.paper:
        return Check(what, True, "byte for byte, printed again", proves)
    try:
        once_more = paper.printed(file.text, day, name) if paper.producer(again) == by else again
    except SettingsError as problem:
        return Check(what, False, f"not looked at: {problem}", proves)
    if once_more == file.paper:
        return Check(what, True, "byte for byte, printed again", proves)
    if once_more != again:
        return Check(what, False, f"not known: this machine prints it otherwise each time; read {name} in it", proves)
    if paper.producer(again) != by:
        detail = f"not known: it was printed by {by}, this machine prints with {paper.producer(again)}; read the page"
        return Check(what, False, f"{detail} inside it ({name}), which is what was signed", proves)
    return Check(what, False, f"changed since it was printed; read the page inside it ({name})", proves)
