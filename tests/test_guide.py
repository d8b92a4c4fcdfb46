"""DEVELOPERS.md stays short and complete: every package has its line in the table of rooms, every extra a reason."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
GUIDE = (ROOT / "DEVELOPERS.md").read_text("utf-8")
ROOMS = "\n".join(
    re.findall(r"^\| `[a-z]+(?:/|`).*$", GUIDE.split("## The shape")[1].split("### Contracts")[0], re.MULTILINE)
)
OURS = ("decoders", "pipeline", "flows")
ONE_READER = ROOT / "decoders" / "formats"  # its folders are formats, a reader each


def packages() -> list[str]:
    folders = (p.parent for folder in OURS for p in (ROOT / folder).rglob("__init__.py"))
    return sorted(p.relative_to(ROOT).as_posix() for p in folders if ONE_READER not in p.parents)


def test_it_opens_with_a_drawing_and_stays_under_12_kb() -> None:
    assert len(GUIDE.encode()) < 12_000
    assert GUIDE.index("```mermaid") < GUIDE.index("\n## ")


@pytest.mark.parametrize("package", [p for p in packages() if p != "pipeline"])
def test_every_package_has_a_line(package: str) -> None:
    assert f"`{package}`" in ROOMS


def test_no_line_is_about_a_package_that_is_gone() -> None:
    first = (re.match(r"\| ([^|]*)\|", line) for line in ROOMS.splitlines())
    named = {name for cell in first if cell for name in re.findall(r"`([a-z_/]+)`", cell[1])}
    assert named
    assert named <= set(packages())


@pytest.mark.parametrize(
    "paper",
    [
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "demo_logs/CAMPAIGN.md",
        "tests/bench/RESULTS.md",
        "tests/external/RESULTS.md",
    ],
)
def test_every_path_that_a_paper_names_is_there(paper: str) -> None:
    text = (ROOT / paper).read_text("utf-8")
    links = {n for n in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in n}
    named = set(re.findall(r"`((?:decoders|pipeline|flows|tests|demo_logs|dbc_demo|\.ci)/[\w./-]+)`", text))
    assert {n for n in links if not ((ROOT / paper).parent / n).exists()} == set()
    assert {n for n in named if "NAME" not in n and not (ROOT / n).exists()} == set()


def test_every_dependency_has_a_reason() -> None:
    """In the table, or for test tools in the sentence below it."""
    table = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    lists = [table["dependencies"], *table["optional-dependencies"].values()]
    named = {re.split(r"[\[<>= ]", line)[0] for lines in lists for line in lines} - {"herdbook"}
    said = GUIDE.split("## Dependencies")[1]
    assert {name for name in named if not re.search(rf"\b{re.escape(name)}\b", said)} == set()
