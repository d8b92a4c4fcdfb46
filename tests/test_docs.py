"""`make docs`: every page is built, every link leads somewhere, and nothing is fetched from elsewhere when it opens."""

from __future__ import annotations

import re
import shutil
from html import unescape
from pathlib import Path

import pytest

from herdbook.pipeline.commands.terminal import reference
from herdbook.pipeline.manual import topics
from tests import docs

pytest.importorskip("sphinx", reason="the extra docs is not installed")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return docs.build(tmp_path_factory.mktemp("docs")).parent


def words(page: Path) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.read_text("utf-8"))).split())


def test_every_page_is_there_and_reached_from_the_front(site: Path) -> None:
    front = (site / "index.html").read_text("utf-8")
    for topic in [*topics(), *reference.TITLES, "first-steps", "api", "changes"]:
        assert (site / f"{topic}.html").is_file()
        assert f'href="{topic}.html"' in front
    assert "demo_logs/pictures" not in front


def test_the_calls_stand_there_as_they_are_written_down(site: Path) -> None:
    said = words(site / "api.html").replace(" ", "")
    for call in ("herdbook.judge(logs:", "herdbook.open(store:", "herdbook.decode(log:", "scan_signals(vehicle:"):
        assert call in said
    assert "Samples in one long table" in words(site / "api.html")


def test_a_link_that_leads_nowhere_and_a_fetch_are_found(site: Path, tmp_path: Path) -> None:
    assert [*docs.dead_links(site), *docs.fetched(site)] == []
    shutil.copytree(site, tmp_path / "site")
    page = tmp_path / "site" / "sql.html"
    bad = '<a href="none.html">x</a><a href="python.html#nowhere">x</a><script src="https://example.org/x.js"></script>'
    page.write_text(page.read_text("utf-8") + bad, "utf-8")
    (tmp_path / "site" / "x.css").write_text("@font-face { src: url('//example.org/f.woff') }", "utf-8")
    assert len(list(docs.dead_links(tmp_path / "site"))) == 2
    assert len(list(docs.fetched(tmp_path / "site"))) == 2


def test_what_sphinx_does_not_like_stops_the_build(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = "# Wrong\n\n[leads nowhere](nowhere.md)\n"
    monkeypatch.setattr(docs, "text", lambda topic: page)
    with pytest.raises(RuntimeError, match="nowhere"):
        docs.build(tmp_path)


def test_a_new_page_needs_nothing_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(docs, "topics", lambda: {**topics(), "new": "New"})
    monkeypatch.setattr(docs, "text", lambda topic: "# New\n")
    docs.write(tmp_path)
    last = (tmp_path / "index.md").read_text("utf-8").split(":caption: More\n")[1]
    assert "new" in last.split("\n")
