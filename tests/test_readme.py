"""README and manual tell the truth: their commands run and print what is shown. Verbs: tests/cli/test_registry.py."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from herdbook.pipeline.cli import build
from herdbook.pipeline.manual import topics
from tests import readme

TEXT = (readme.ROOT / "README.md").read_text("utf-8")


def test_it_opens_with_the_job_and_the_two_commands() -> None:
    opening = TEXT.split("\n## ")[0]
    assert "CAN" in opening.split("\n\n")[1]
    assert "make demo" in opening
    assert "make test" in opening


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_make_target_that_is_named_exists(name: str) -> None:
    targets = set(re.findall(r"^([a-z]+):", (readme.ROOT / "Makefile").read_text("utf-8"), re.MULTILINE))
    named = set(re.findall(r"`make ([a-z]+)`", (readme.ROOT / name).read_text("utf-8")))
    assert named <= targets


def test_every_command_prints_what_is_shown(tmp_path: Path) -> None:
    """In order, in one folder, as a reader would type them; numbers and times may differ, words may not."""
    readme.prepare(tmp_path)
    for path in readme.DOCUMENTS:
        for one in readme.commands(path.read_text("utf-8")):
            code, output = readme.run(one.command, tmp_path)
            assert code in readme.NEWS, f"{path.name}: {one.command}\n{output}"
            assert readme.left_out(readme.shape(output), one.output) == readme.shape(one.output), one.command


@pytest.mark.parametrize("path", readme.DOCUMENTS, ids=lambda p: p.name)
def test_links_lead_somewhere(path: Path) -> None:
    """To files of the tree, and from page to page by topics that the manual has."""
    text = path.read_text("utf-8")
    links = re.findall(r"\]\(([^)#]+)\)", text)
    assert [link for link in links if "://" not in link and not (path.parent / link).exists()] == []
    assert set(re.findall(r"herdbook help ([a-z-]+)", text)) <= set(topics())


def test_messages_that_the_manual_explains_are_messages_of_ours() -> None:
    table = (readme.ROOT / "pipeline" / "manual" / "trouble.md").read_text("utf-8").split("| exit code")[0]
    files = [path for top in ("decoders", "pipeline") for path in (readme.ROOT / top).rglob("*.py")]
    said = re.sub(r'"\s*\n\s*f?"', "", "\n".join(path.read_text("utf-8") for path in files))  # over two lines
    explained = re.findall(r"^\| `([^`]+)`", table, re.MULTILINE)
    pieces = [piece.strip() for cell in explained for piece in cell.split("...") if piece.strip()]
    assert pieces
    assert [piece for piece in pieces if piece not in said] == []


def test_every_page_is_listed_and_read_by_help() -> None:
    runner = CliRunner()
    listed = runner.invoke(build(), ["help"]).output
    for topic, title in topics().items():
        assert topic in listed
        assert runner.invoke(build(), ["help", topic]).output.startswith(f"# {title}")
    wrong = runner.invoke(build(), ["help", "pyton"])
    assert "Nearest: python" in str(wrong.exception)
