"""A history on paper: the same bytes each time, the signed page inside, and a changed PDF noticed."""

from __future__ import annotations

import io
from pathlib import Path

import pypdf
import pytest

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.reports import write_history
from herdbook.pipeline.reports.history.verify import verify_history
from herdbook.pipeline.reports.page import paper
from herdbook.pipeline.store.store import Store
from tests.reports.browser import needs_chromium


@pytest.mark.browser
@needs_chromium
def test_paper_is_stable_holds_the_page_and_verifies(store: Store, tmp_path: Path) -> None:
    made = write_history(store, "VX-014", tmp_path / "a.pdf", fmt="pdf").read_bytes()
    page = write_history(store, "VX-014", tmp_path / "a.html").read_text("utf-8")
    assert write_history(store, "VX-014", tmp_path / "b.pdf", fmt="pdf").read_bytes() == made
    read = pypdf.PdfReader(io.BytesIO(made), strict=True)  # which shares nothing with us
    assert read.attachments["history.html"][0].decode("utf-8") == page
    assert "In short" in read.pages[0].extract_text()
    checks = {c.what: c.ok for c in verify_history(store, tmp_path / "a.pdf").checks}
    assert checks["It is as it was signed"]
    assert checks["The paper shows the page inside it"]
    assert checks["The store gives the same document today"]
    torn = bytearray(made)
    torn[made.index(b"stream\n") + 40] ^= 1  # the first stream: what the paper shows
    (tmp_path / "torn.pdf").write_bytes(torn)
    checks = {c.what: c.ok for c in verify_history(store, tmp_path / "torn.pdf").checks}
    assert checks["It is as it was signed"]
    assert not checks["The paper shows the page inside it"]


def test_without_chromium_it_is_said_what_to_do(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paper, "chromium", lambda: "")
    with pytest.raises(SettingsError, match="printed by Chromium"):
        write_history(store, "VX-014", tmp_path / "a.pdf", fmt="pdf")
    assert not (tmp_path / "a.pdf").exists()


def test_a_pdf_of_another_kind_is_refused() -> None:
    with pytest.raises(SettingsError, match="not known here"):
        paper.attached(b"%PDF-1.7\nnothing of use\n%%EOF\n", "<!doctype html>")
    assert paper.page_in(b"%PDF-1.7") == ""
