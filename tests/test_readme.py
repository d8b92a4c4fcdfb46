"""README and manual tell the truth: their commands run and print what is shown. Verbs: tests/cli/test_registry.py."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest
from typer.testing import CliRunner

from herdbook.pipeline.cli import build
from herdbook.pipeline.commands.terminal import reference
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.intake.sidecar import KEYS
from herdbook.pipeline.manual import topics
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.own.named import KNOWN as OWN_KEYS
from herdbook.pipeline.settings import TABLES, TOP, NightSettings, known_keys
from herdbook.pipeline.store.signing_key import SignSettings
from herdbook.pipeline.vehicle.roles import ROLES
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
    assert set(re.findall(r"herdbook help ([a-z-]+)", text)) <= {*topics(), *reference.TITLES}


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
    for topic, title in (topics() | reference.TITLES).items():
        assert topic in listed
        assert runner.invoke(build(), ["help", topic]).output.startswith(f"# {title}")
    wrong = runner.invoke(build(), ["help", "pyton"])
    assert "Nearest: python" in str(wrong.exception)


def test_pages_made_from_the_code_have_all_of_it() -> None:
    rules, metrics, profile = (reference.page(topic) for topic in ("rules", "metrics", "profile"))
    for rule in all_rules().values():
        assert f"`{rule.id}`" in rules
        assert all(f"| `{limit.name}` |" in rules for limit in rule.limits)
        assert rule.source in rules
    assert [n for one in all_sets().values() for n in one.gives if f"| `{n}` |" not in metrics] == []
    assert [name for name in ROLES if f"| `{name}` |" not in profile] == []


def test_the_page_of_settings_names_every_setting() -> None:
    """Every key of every table, and no other."""
    text = (readme.ROOT / "pipeline" / "manual" / "settings.md").read_text("utf-8")
    named = {
        key
        for cell in re.findall(r"^\| ((?:`\w+`(?:, )?)+) \|", text, re.MULTILINE)
        for key in re.findall(r"\w+", cell)
    }
    tables = {name for keys in TABLES.values() for name in keys}
    night = {f.name for f in fields(NightSettings)}
    assert named == {*TOP, *tables, *night, *(f.name for f in fields(SignSettings)), *OWN_KEYS}
    assert {*TOP, *tables} == set(known_keys())


def test_the_page_of_formats_names_what_a_sidecar_may_say() -> None:
    text = (readme.ROOT / "pipeline" / "manual" / "formats.md").read_text("utf-8").split("**Sidecar.**")[1]
    assert {k for cell in re.findall(r"^\| (`.*?) \|", text, re.MULTILINE) for k in re.findall(r"\w+", cell)} == KEYS
