"""A certificate in each of its forms: signed, verified with and without the store, and nothing hostile in it runs."""

from __future__ import annotations

import json
from pathlib import Path

import pypdf
import pytest
from typer.testing import CliRunner

from herdbook.pipeline.bench.acceptance.accept import Acceptance, accept
from herdbook.pipeline.bench.acceptance.plan import read_plan
from herdbook.pipeline.cli import build
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.reports.bench.certificate import certificate
from herdbook.pipeline.reports.bench.certificate_check import is_certificate, verify_certificate
from herdbook.pipeline.reports.bench.certificate_file import write_certificate
from herdbook.pipeline.reports.bench.certificate_page import alike, as_html, at_most, chance, guard, limits, picture
from herdbook.pipeline.reports.page import paper
from herdbook.pipeline.reports.page.signed_checks import paper_check
from herdbook.pipeline.reports.page.signed_file import SignedFile
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.signing_key import private_key, public_key
from herdbook.pipeline.store.store import Store
from tests.acceptance.plans import check, step, written
from tests.reports.browser import needs_chromium

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "dbc_demo"
HOSTILE = "<script>window.pwned=1</script>\u202e"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    made = Store.create(tmp_path_factory.mktemp("certificate") / "store", DEMO)
    publish(made)
    private_key(made)
    return made


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Acceptance:
    """A ride of the demo held against a plan of two checks, one of them failed."""
    tables = (
        step("ride"),
        check("top_speed_kmh", "km/h", high="10"),
        check("speed_apart_pct", "%", low="-2", high="2"),
    )
    plan = read_plan(written(tmp_path_factory.mktemp("plan"), *tables))
    return accept([ROOT / "demo_logs" / "fleet" / "ZB-0101_2026-03-23_ride.blf"], plan, DEMO)


@pytest.mark.parametrize("form", ["html", "json"])
def test_whoever_has_the_key_sees_whether_it_was_changed(
    store: Store, found: Acceptance, tmp_path: Path, form: str
) -> None:
    key = public_key(store)
    file = write_certificate(store, certificate(found, "t", line="L1", public_key=key), tmp_path / f"c.{form}", form)
    assert is_certificate(file)
    assert verify_certificate(None, file, key).ok
    assert not verify_certificate(None, file, "0" * 64).ok
    assert not verify_certificate(store, file).ok  # as it was signed, but never entered there
    changed = tmp_path / f"changed.{form}"
    changed.write_text(file.read_text("utf-8").replace("failed", "passed"), "utf-8")
    assert not verify_certificate(None, changed, key).ok


def test_the_verb_takes_a_certificate_as_it_takes_a_history(store: Store, found: Acceptance, tmp_path: Path) -> None:
    file = write_certificate(store, certificate(found, "t", public_key=public_key(store)), tmp_path / "c.json", "json")
    done = CliRunner().invoke(build(), ["verify", str(file), "--public-key", public_key(store)])
    assert done.exit_code == 0
    assert "It is as it was signed" in done.output
    assert "whether its records hold this test" in done.output


@pytest.mark.browser
@needs_chromium
def test_on_paper_the_page_is_inside(store: Store, found: Acceptance, tmp_path: Path) -> None:
    made = certificate(found, "t", public_key=public_key(store))
    file = write_certificate(store, made, tmp_path / "c.pdf", "pdf")
    page = write_certificate(store, made, tmp_path / "c.html").read_text("utf-8")
    assert pypdf.PdfReader(file, strict=True).attachments["certificate.html"][0].decode("utf-8") == page
    assert {c.what: c.ok for c in verify_certificate(None, file, public_key(store)).checks} == {
        "It is as it was signed": True,
        "The page shows its record": True,
        "The paper shows the page inside it": True,
    }


def test_without_a_store_it_says_that_it_is_not_signed(found: Acceptance, tmp_path: Path) -> None:
    file = write_certificate(None, certificate(found, "t"), tmp_path / "c.html")
    assert "Not signed: it was written without a store" in file.read_text("utf-8")
    assert not verify_certificate(None, file, "0" * 64).ok


def test_what_people_type_is_shown_and_never_run(store: Store, found: Acceptance, tmp_path: Path) -> None:
    made = certificate(found, "t", line=HOSTILE, who=HOSTILE, public_key=public_key(store))
    file = write_certificate(store, made, tmp_path / "c.html")
    page = file.read_text("utf-8")
    assert "<script>window" not in page
    assert "\u202e" not in page
    assert "&lt;script&gt;window.pwned=1&lt;/script&gt;\\u202e" in page
    assert verify_certificate(None, file, public_key(store)).ok


def test_cautions_and_limits_with_their_reasons_are_on_it(found: Acceptance, tmp_path: Path) -> None:
    page = write_certificate(None, certificate(found, "t"), tmp_path / "c.html").read_text("utf-8")
    for said in (
        "turns without warning",
        "hot after a test",
        "holds its energy",
        "local rules come first",
        "not proven safe",
    ):
        assert said in page, said
    assert "Set by nobody in particular" in page
    assert "Failed" in page


@pytest.mark.parametrize(
    "text", ["", "{}", "<!doctype html>", '{"form": "herdbook-certificate/1"}', "%PDF-1.7", '{"a": 1, "a": 2}']
)
def test_what_is_none_is_refused_in_words(tmp_path: Path, text: str) -> None:
    file = tmp_path / "c.json"
    file.write_text(text, "utf-8")
    with pytest.raises(InputError):
        verify_certificate(None, file, "0" * 64)


def test_chances_limits_and_bands_in_words() -> None:
    row = {
        "unit": "%",
        "low": -2.0,
        "high": 2.0,
        "accept_low": -1.9,
        "accept_high": 1.9,
        "value": 3.0,
        "standard_error": 0.1,
    }
    assert (chance(0.0), chance(0.032), chance(0.9999), chance(None)) == (
        "under 0.01 %",
        "3.2 %",
        "99.99 %",
        "not known",
    )
    assert (at_most(1e-9), at_most(0.05)) == ("under 0.01 %", "at most 5 %")
    assert (limits(row), guard(row)) == ("-2 to 2%", "0.100%")
    assert limits(row | {"low": None, "unit": "mOhm"}) == "at most 2\u00a0mΩ"
    drawn = picture(row)
    assert drawn is not None
    assert drawn.band[0] < drawn.band[1] < drawn.low < drawn.at < drawn.high  # outside, to the right
    assert picture(row | {"value": None}) is None


def test_the_record_is_plain_json(found: Acceptance) -> None:
    made = certificate(found, "t")
    assert json.loads(json.dumps(made, allow_nan=False)) == made


def test_a_small_screen_folds_what_is_alike_and_nothing_that_did_not_pass(found: Acceptance) -> None:
    """Of a check with many groups that passed, the nearest to its limits stays; the page has every row."""
    made = certificate(found, "t")
    one = made["steps"][0]["rows"][0]
    told = ["passed", "passed", "failed", "passed", "not decided", "passed"]
    sure = [0.999, 0.96, 0.0, 0.99, 0.5, 1.0]
    rows = [
        one | {"no": 100 + i, "measured": "group", "verdict": verdict, "conforms": conforms}
        for i, (verdict, conforms) in enumerate(zip(told, sure, strict=True))
    ]
    made["steps"][0]["rows"] = [*made["steps"][0]["rows"], *rows]
    assert alike(made) == {100, 103, 105}
    page = as_html(made)
    assert page.count('class="alike"') == 3
    assert all(f'<td class="no num">{row["no"]}</td>' in page for row in rows)
    assert "Show 3 more values that passed" in page
    assert alike(certificate(found, "t")) == set()


@pytest.mark.parametrize(
    ("printings", "ok", "said"),
    [
        ((b"odd", b"right"), True, "printed again"),
        ((b"odd", b"other"), False, "not known"),
        ((b"odd", b"odd"), False, "changed since"),
    ],
)
def test_one_odd_printing_is_no_change_of_the_paper(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, printings: tuple[bytes, bytes], ok: bool, said: str
) -> None:
    left = list(printings)
    monkeypatch.setattr(paper, "printed", lambda *_: left.pop(0))
    found = paper_check(SignedFile(tmp_path / "c.pdf", "page", "html", {}, b"right"), None)
    assert found.ok is ok
    assert said in found.detail
