"""Is a certificate what was written? The same checks as for a history, as far as they fit, each with what it proves."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import TemplateError

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.reports.bench.certificate import FORM
from herdbook.pipeline.reports.bench.certificate_file import ATTACHED
from herdbook.pipeline.reports.bench.certificate_page import as_html
from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.paper import page_in
from herdbook.pipeline.reports.page.signature import blank
from herdbook.pipeline.reports.page.signed_checks import Check, Verification, paper_check, signed_check
from herdbook.pipeline.reports.page.signed_file import SignedFile, TwiceError, strict_json
from herdbook.pipeline.store.signing_key import public_key, read_public_key
from herdbook.pipeline.store.statements import ask, has

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

_EMBEDDED = re.compile(r'<script type="application/json" id="certificate">(.*?)</script>', re.DOTALL)
TEXTS = ("form", "vehicle", "verdict", "acceptance", "seal", "tested_to", "public_key")
DO = "Name a certificate that `accept` wrote, unchanged"


def is_certificate(path: Path | str) -> bool:
    """Whether a file calls itself one; whatever else is wrong with it. False where it cannot be read."""
    try:
        content = Path(path).read_bytes()
    except OSError:
        return False
    text = page_in(content) if content.startswith(b"%PDF") else content.decode("utf-8", "replace")
    return f'"form":"{FORM[:-1]}' in text.replace('": "', '":"')


def verify_certificate(store: Store | None, path: Path | str, key: str = "") -> Verification:
    """Check a certificate (html, pdf or json) against the store it was written from, a public key, or both.

    Arguments and errors as of verify_history().
    """
    file = read_certificate(Path(path))
    expected = read_public_key(key) if key else public_key(store) if store else ""
    signed = signed_check(file, expected, "the key you gave" if key else "this store's key")
    checks: list[Check] = [signed]
    if file.form == "html":
        checks.append(_page(file, signed.ok))
    if file.paper:
        checks.append(paper_check(file, file.made["tested_to"], ATTACHED))
    if store is None:
        rest = "Not looked at, for want of the store: whether its records hold this test."
        return Verification(file.path, file.made["vehicle"], tuple(checks), unchecked=rest)
    checks.append(_on_record(store, file))
    return Verification(file.path, file.made["vehicle"], tuple(checks))


def read_certificate(path: Path) -> SignedFile:
    """Raises: InputError when the file is no certificate, or could be read in two ways."""
    paper = b""
    try:
        content = path.read_bytes()
        if content.startswith(b"%PDF"):
            paper, content = content, page_in(content).encode("utf-8")
        text = content.decode("utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        raise InputError(f"cannot be read as text ({problem})", path, DO) from None
    try:
        form, made = _read(text)
        if not all(isinstance(made[name], str) for name in TEXTS):
            raise ValueError
    except TwiceError as problem:
        raise InputError(f"is not a certificate as Herdbook writes one: {problem}", path, DO) from None
    except (ValueError, KeyError, TypeError, RecursionError):
        raise InputError("is not a certificate, or a damaged one", path, DO) from None
    return SignedFile(path, text, form, made, paper)


def _read(text: str) -> tuple[str, dict[str, Any]]:
    if not text.startswith("<!doctype html>"):
        return "json", strict_json(text)
    found = _EMBEDDED.findall(text)
    if len(found) > 1:
        raise TwiceError("it holds more than one record")
    return "html", strict_json(found[0] if found else "")


def _page(file: SignedFile, signed: bool) -> Check:
    """What a reader sees, against the record inside."""
    what = "The page shows its record"
    proves = "what you read is what the record in it says, nothing hidden or added. Not that the record is true"
    try:
        again = as_html(file.made)
    except (KeyError, TypeError, ValueError, AttributeError, TemplateError):
        again = ""
    if again == blank(file.text, "html")[1]:
        return Check(what, True, "byte for byte", proves)
    own = f"herdbook {html.program_version()}"
    if file.made.get("tool") != own and signed:
        detail = f"laid out by {file.made.get('tool')}, this is {own}: not laid out again; the page is signed too"
        return Check(what, True, detail, proves)
    return Check(what, False, "changed, or laid out by another version", proves)


def _on_record(store: Store, file: SignedFile) -> Check:
    what = "The store's records hold this test"
    proves = "the store entered this very result for this unit. Not that the unit is still as it was then"
    with store.read() as con:
        rows = (
            ask(con, __name__, "test_on_record", acceptance=file.made["acceptance"]) if has(con, "acceptances") else []
        )
    if not rows:
        return Check(what, False, "no: this is not the store it was entered in", proves)
    bare = {name: value for name, value in file.made.items() if name != "signature"}
    if json.loads(rows[0]["document"]) == bare:
        return Check(what, True, f"entered {rows[0]['entered_t']:%Y-%m-%d %H:%M} UTC, every value", proves)
    return Check(what, False, "another record stands under the same name", proves)
