"""The README tells the truth: its commands run and print what it shows. Its verbs: tests/cli/test_registry.py."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

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


def test_every_command_prints_what_the_readme_shows(tmp_path: Path) -> None:
    """In order, in one folder, as a reader would type them; numbers and times may differ, words may not."""
    readme.prepare(tmp_path)
    said = readme.commands(TEXT)
    assert said
    for one in said:
        code, output = readme.run(one.command, tmp_path)
        assert code in readme.NEWS, f"{one.command}\n{output}"
        assert readme.left_out(readme.shape(output), one.output) == readme.shape(one.output), one.command
