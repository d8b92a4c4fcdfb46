"""Signed histories: every forgery by name, and every single character.

A forger has the file, this program and all its source: seals are computed anew, pages laid out anew, and files signed
with a key of the forger's own.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.reports import verify_history, write_history
from herdbook.pipeline.reports.history import forms
from herdbook.pipeline.reports.history.compare import VARIES
from herdbook.pipeline.reports.history.document import document
from herdbook.pipeline.reports.history.read_file import read_file
from herdbook.pipeline.reports.page.signature import is_signed_with, sealed
from herdbook.pipeline.reports.page.signed_checks import UNSIGNED
from herdbook.pipeline.store import signing_key
from herdbook.pipeline.store.signing_key import private_key, public_key
from herdbook.pipeline.store.store import Store
from tests.reports.conftest import fill
from tests.reports.made_up import Catalogue

Document = dict[str, Any]
FORMS = ("html", "csv", "json")


@pytest.mark.parametrize("form", FORMS)
def test_who_has_only_file_and_key_can_verify(store: Store, out: Path, form: str) -> None:
    path = write_history(store, "VX-014", out / f"third.{form}", form, by="Warranty desk")
    key = public_key(store)
    found = verify_history(None, path, key)
    assert found.ok, found.as_dict()
    assert "want of the store" in found.unchecked
    assert all("Not" in check.proves for check in found.checks)
    assert not wrong(store, path)
    other = Ed25519PrivateKey.generate().public_key().public_bytes_raw().hex()
    refused = verify_history(None, path, other)
    assert not refused.ok
    assert "but by another" in refused.checks[0].detail


def wrong(store: Store, path: Path) -> set[str]:
    """Checks that fail; the made-up store has no lake to hash."""
    failed = {check.what for check in verify_history(store, path).checks if not check.ok}
    return failed - {"The stored data behind it is unchanged"}


def _document(change: Callable[[Document], None]) -> Callable[[Document], Document]:
    def forged(made: Document) -> Document:
        made = deepcopy(made)
        change(made)
        return sealed({k: v for k, v in made.items() if k != "signature"})

    return forged


def _harmless_instead_of_grave(made: Document) -> None:
    calm = next(line for line in made["lines"] if not line["severity"])
    grave = [n for n, line in enumerate(made["lines"]) if line["severity"] == "stop-use"]
    assert grave
    for n in grave:
        made["lines"][n] = calm | {"no": made["lines"][n]["no"]}


def _invented_first_line(made: Document) -> None:
    made["lines"].insert(0, made["lines"][0] | {"topic": "Inspected", "text": "Inspected and found sound."})


def _herd_text(made: Document) -> None:
    next(line for line in made["lines"] if line["section"] == "herd")["text"] = "All of its type have this."


def _log_names(made: Document) -> None:
    made["logs"][0]["name"] = "another.log"


def _log_dates(made: Document) -> None:
    made["logs"][0]["from"] = "2020-01-01T00:00:00.000000Z"


def _no_log(made: Document) -> None:
    del made["logs"][-1]


def _sections_removed(made: Document) -> None:
    made["lines"] = [line for line in made["lines"] if line["section"] not in ("events", "limits")]


def _reversed(made: Document) -> None:
    made["lines"].reverse()


def _severity(made: Document) -> None:
    for line in made["lines"]:
        line["severity"] = "note" if line["severity"] else ""


def _value(made: Document) -> None:
    next(line for line in made["lines"] if line["value"])["value"] *= 2


def _by(made: Document) -> None:
    made["by"] = "The maker"


def _tool(made: Document) -> None:
    made["tool"] = "herdbook 9.9"


def _scan(made: Document) -> None:
    made["scan"] = "a scan that never was"


def _cautions(made: Document) -> None:
    made["read_this"] = ["All is well."]


def _titles(made: Document) -> None:
    made["sections"]["events"] = "Nothing of note"


def _rule_sets(made: Document) -> None:
    made["rule_sets"] = ["0" * 64]


FORGERIES = (
    *(_harmless_instead_of_grave, _invented_first_line, _herd_text, _log_names, _log_dates, _no_log, _sections_removed),
    *(_reversed, _severity, _value, _by, _tool, _scan, _cautions, _titles, _rule_sets),
)
FOUND_WITHOUT_KEY = set(FORGERIES) - {_herd_text, _by, _tool, _scan}  # the signature alone speaks for these
NOT_IN_CSV = {_cautions, _titles, _rule_sets}


@pytest.fixture(scope="module")
def written(store: Store, tmp_path_factory: pytest.TempPathFactory) -> Document:
    path = write_history(store, "VX-014", tmp_path_factory.mktemp("w") / "h.json", "json")
    made: Document = json.loads(path.read_text("utf-8"))
    return made


@pytest.mark.parametrize(("form", "own_key"), [("json", False), *((form, True) for form in FORMS)])
@pytest.mark.parametrize("forgery", FORGERIES, ids=lambda f: f.__name__[1:])
def test_a_forged_document_does_not_verify(
    written: Document, store: Store, tmp_path: Path, forgery: Callable[[Document], None], form: str, own_key: bool
) -> None:
    """Its seal is right and its page is what its record gives: nothing but key and store tell it. own_key: it is
    signed, by a key of the forger's."""
    made = deepcopy(written)
    forger = Ed25519PrivateKey.generate()
    if own_key:
        made["public_key"] = forger.public_key().public_bytes_raw().hex()
    forged = _document(forgery)(made)
    path = tmp_path / f"forged.{form}"
    if form == "csv" and forgery in NOT_IN_CSV:
        return
    path.write_bytes(forms.signed(forged, form, forger).encode())
    assert verify_history(None, path, forger.public_key().public_bytes_raw().hex()).ok == own_key
    found = verify_history(store, path)
    assert not found.checks[0].ok
    if forgery in FOUND_WITHOUT_KEY:
        assert not found.checks[3].ok
        assert found.differences
    assert not verify_history(None, path, public_key(store)).ok


def test_what_may_vary_is_said_in_one_place(store: Store, tmp_path: Path) -> None:
    """Each fact about the file but the ones declared: changed, it is told as a difference."""
    path = write_history(store, "VX-014", tmp_path / "h.json", "json")
    made = json.loads(path.read_text("utf-8"))
    for name in set(made) - set(VARIES) - {"by", "at", "lines", "logs", "form", "vehicle", "zone", "units", "as_of"}:
        path.write_text(json.dumps(made | {name: ["changed"]}), "utf-8")
        assert any(d.startswith(name) for d in verify_history(store, path).differences), name


VISIBLE = {
    "styled away": ("</style>", ".lines tr:nth-child(2) {display: none}</style>"),
    "styled below": ("</main>", "<style>.told {visibility: hidden}</style></main>"),
    "scripted": ("</body>", "<script>document.querySelector('main').remove()</script></body>"),
    "another text on the page": ("How to read this file", "All is in order"),
    "a line on the page": ("</main>", "<p>Inspected and found sound.</p></main>"),
    "a cover over it": ("<body", '<body style="opacity: 0"'),
    "a comment": ("</main>", "<!-- x --></main>"),
    "unseen characters": ("How to read", "How\u200b to read"),
}


@pytest.mark.parametrize("what", VISIBLE)
def test_what_only_the_page_shows_is_found(store: Store, tmp_path: Path, what: str) -> None:
    """The record inside is untouched; what a reader sees is not."""
    text = write_history(store, "VX-014", tmp_path / "h.html").read_text("utf-8")
    path = tmp_path / "seen.html"
    assert text.count(VISIBLE[what][0])
    path.write_text(text.replace(*VISIBLE[what], 1), "utf-8")
    assert wrong(store, path) == {"It is as it was signed", "The page shows its record"}
    assert not verify_history(None, path, public_key(store)).ok


def test_a_second_record_is_refused(store: Store, tmp_path: Path) -> None:
    text = write_history(store, "VX-014", tmp_path / "h.html").read_text("utf-8")
    path = tmp_path / "two.html"
    path.write_text(text.replace("<main", '<script type="application/json" id="history">{}</script><main', 1), "utf-8")
    with pytest.raises(InputError, match="more than one record"):
        verify_history(store, path)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"vehicle": "VX-014"', '"vehicle": "VX-015", "vehicle": "VX-014"'),
        ('"severity": "stop-use"', '"severity": "stop-use", "severity": "note"'),
        ('"value": 61.6', '"value": 61.60'),
        ('"value": null', '"value": NaN'),
    ],
)
def test_what_could_be_read_in_two_ways_is_refused(store: Store, tmp_path: Path, old: str, new: str) -> None:
    text = write_history(store, "VX-014", tmp_path / "h.json", "json").read_text("utf-8")
    path = tmp_path / "twice.json"
    if old not in text:
        old, new = re.sub(r"61\.60?", re.search(r'"value": (\d+\.\d+)', text)[1], old), ""  # type: ignore[index]
        new = old + "0"
    path.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(InputError, match="as Herdbook writes one"):
        verify_history(store, path)


def test_a_csv_with_other_findings_or_rows_is_found(store: Store, tmp_path: Path) -> None:
    text = write_history(store, "VX-014", tmp_path / "h.csv", "csv").read_bytes().decode()
    rows = list(csv.reader(io.StringIO(text, newline="")))
    grave = next(n for n, row in enumerate(rows) if "stop-use" in row and row[0] == "line")
    told = {"gone": rows[:grave] + rows[grave + 1 :], "twice": [*rows[:grave], rows[grave], *rows[grave:]]}
    told["calm"] = [*rows[:grave], [cell.replace("stop-use", "note") for cell in rows[grave]], *rows[grave + 1 :]]
    for changed in told.values():
        out = io.StringIO()
        csv.writer(out, lineterminator="\r\n").writerows(changed)
        (tmp_path / "f.csv").write_bytes(out.getvalue().encode())
        found = verify_history(store, tmp_path / "f.csv")
        assert not found.checks[0].ok
        assert not found.checks[3].ok
    for bad in (text.replace("document,,vehicle", "document,,vehicle,,,,VX-1" + 12 * "," + "\r\ndocument,,vehicle"),):
        (tmp_path / "f.csv").write_bytes(bad.encode())
        with pytest.raises(InputError, match="stands twice"):
            verify_history(store, tmp_path / "f.csv")


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Store:
    book = Catalogue(tmp_path_factory.mktemp("small"))
    book.vehicle("VX-030")
    return book.close()


@pytest.mark.parametrize("form", FORMS)
def test_no_single_character_can_be_changed(small: Store, tmp_path: Path, form: str) -> None:
    """Every third character that a reader sees, one by one (of a page, what stands between its tags)."""
    path = write_history(small, "VX-030", tmp_path / f"h.{form}", form, by="Desk")
    text, key = path.read_bytes().decode("utf-8"), public_key(small)
    places = range(len(text))
    if form == "html":
        hidden = [m.span() for m in re.finditer(r"<style>.*?</style>|<script.*?</script>|<[^>]*>", text, re.DOTALL)]
        seen = set(places) - {n for a, b in hidden for n in range(a, b)}
        places = sorted(seen)  # type: ignore[assignment]
    passed = []
    for at in places[::3]:
        if text[at].isspace():
            continue
        changed = text[:at] + ("b" if text[at] == "a" else "a" if text[at].isalpha() else "7") + text[at + 1 :]
        if changed != text and _verifies(changed, form, key, tmp_path):
            passed.append((at, text[max(0, at - 20) : at + 20]))
    assert _verifies(text, form, key, tmp_path)
    assert not passed


def _verifies(text: str, form: str, key: str, folder: Path) -> bool:
    if form != "json":
        return is_signed_with(key, text, form, {})
    path = folder / "one.json"
    path.write_text(text, "utf-8")
    try:
        file = read_file(path)
    except InputError:
        return False
    finally:
        path.unlink()  # to write over it would wait for the disk each time
    return file.form == "json" and is_signed_with(key, text, "json", file.made) and file.public_key == key


def test_an_old_file_is_told_what_its_seal_is_worth(store: Store, tmp_path: Path) -> None:
    """As the form before wrote them: no key, no signature, a hash over the rest."""
    made = document(store, "VX-014")
    old = sealed({k: v for k, v in made.items() if k != "public_key"} | {"form": "herdbook-history/2"})
    (tmp_path / "old.json").write_text(forms.as_json(old), "utf-8")
    found = verify_history(store, tmp_path / "old.json")
    assert not found.ok
    assert found.checks[0].detail == UNSIGNED == "sealed but not signed: anybody could have made this seal"


def test_another_store_says_so(store: Store, tmp_path: Path) -> None:
    """Another store of the same vehicle's name, and one that has nothing of it."""
    path = write_history(store, "VX-014", tmp_path / "h.html")
    (tmp_path / "b").mkdir()
    book = Catalogue(tmp_path / "b")
    book.vehicle("VX-014")
    other = book.close()
    private_key(other)
    found = {check.what: check for check in verify_history(other, path).checks}
    assert "another store's file" in found["It is as it was signed"].detail
    assert "not the store it was written from" in found["Every log it names is in the ledger"].detail
    assert not found["The stored data behind it is unchanged"].ok
    assert "nothing was hashed" in found["The stored data behind it is unchanged"].detail


def test_the_same_records_and_key_give_the_same_bytes(store: Store, tmp_path: Path) -> None:
    """Ed25519 signs without chance: README promises it of two files, and so of two stores that share a key."""
    (tmp_path / "b").mkdir()
    book = Catalogue(tmp_path / "b")
    fill(book)
    twin = book.close()
    private_key(store)
    (twin.folder / signing_key.PRIVATE).write_bytes((store.folder / signing_key.PRIVATE).read_bytes())
    (twin.folder / signing_key.PRIVATE).chmod(0o600)
    for form in FORMS:
        a, b = (write_history(s, "VX-014", tmp_path / f"{n}.{form}", form) for s, n in ((store, "a"), (twin, "c")))
        assert a.read_bytes() == b.read_bytes()
