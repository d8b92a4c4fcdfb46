"""The clerk's page: every line with what it rests on, and the file that verifies."""

from __future__ import annotations

import re
from pathlib import Path

import httpx
import pytest

from herdbook.pipeline.reports import verify_history
from herdbook.pipeline.reports.history.document import document
from herdbook.pipeline.store.store import Store


def test_every_line_stands_with_its_basis(wires: httpx.Client, scanned_once: Store) -> None:
    page = wires.get("/history?v=ZB-0105").text
    made = document(scanned_once, "ZB-0105")
    numbered = [line for line in made["lines"] if line["no"] and line["section"] != "advice"]
    assert page.count('<th scope="row" class="no num">') == len(numbered)
    for log in made["logs"]:
        assert log["sha256"] in page
    with scanned_once.read() as con:
        parts = [
            part
            for (part,) in con.execute(
                "SELECT parts.part FROM parts JOIN logs USING (log) WHERE vehicle = 'ZB-0105'"
            ).fetchall()
        ]
    assert all(part in page for part in parts)
    assert "Rule “Electric brake drops out while braking”" in page
    assert re.search(r'href="/window\?v=ZB-0105&amp;s=regen_current[^"]+">Its signals', page)
    assert made["seal"] in page


@pytest.mark.parametrize("form", ["html", "csv", "json"])
def test_the_file_that_is_taken_verifies(wires: httpx.Client, scanned_once: Store, tmp_path: Path, form: str) -> None:
    said = wires.get("/history/file", params={"v": "ZB-0105", "form": form, "by": "Desk 3"})
    assert said.status_code == 200
    assert f"history-ZB-0105.{form}" in said.headers["content-disposition"]
    path = tmp_path / f"h.{form}"
    path.write_bytes(said.content)
    verdict = verify_history(scanned_once, path)
    assert verdict.ok, verdict


@pytest.mark.parametrize(
    ("query", "code", "words"),
    [
        ("v=ZB-9999", 404, "ZB-9999"),
        ("v=ZB-0105&zone=Mars/Base", 400, "No such time zone"),
        ("v=ZB-0105&units=leagues", 400, "leagues"),
        ("v=ZB-0105&as_of=yesterday", 400, "no date"),
    ],
)
def test_bad_questions_are_told(wires: httpx.Client, query: str, code: int, words: str) -> None:
    said = wires.get(f"/history?{query}")
    assert said.status_code == code
    assert words in said.text
