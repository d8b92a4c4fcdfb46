"""What all pages share is made once: kept as Python keeps what it compiled, made anew where that cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment

from herdbook.pipeline.reports.page import kept as keeping
from herdbook.pipeline.reports.page.kept import CompiledTemplates, kept


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(keeping, "FOLDER", tmp_path / "__pycache__")
    monkeypatch.setattr("sys.dont_write_bytecode", False)
    return tmp_path / "__pycache__"


class Making:
    def __init__(self) -> None:
        self.times = 0

    def __call__(self) -> str:
        self.times += 1
        return f"text\nnumber {self.times}"


def test_what_was_made_is_not_made_again_until_what_it_is_made_of_changes(folder: Path) -> None:
    make = Making()
    assert [kept("drawing", "a 1", make), kept("drawing", "a 1", make)] == ["text\nnumber 1"] * 2
    assert kept("drawing", "a 2", make) == "text\nnumber 2"


@pytest.mark.parametrize("damage", [b"", b"nonsense", b"\xff\xfe", b"0" * 64 + b"\nanother text"])
def test_a_damaged_one_is_made_again(folder: Path, damage: bytes) -> None:
    make = Making()
    kept("drawing", "a", make)
    (path,) = folder.iterdir()
    path.write_bytes(damage)
    assert kept("drawing", "a", make) == "text\nnumber 2"
    assert kept("drawing", "a", make) == "text\nnumber 2"


def test_nothing_is_written_where_python_writes_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.dont_write_bytecode", True)
    assert kept("drawing", "a", Making()) == "text\nnumber 1"
    assert not folder.exists()


def test_a_folder_that_cannot_be_written_is_no_fault(folder: Path) -> None:
    folder.write_text("a file where the folder should be")
    make = Making()
    assert [kept("drawing", "a", make), kept("drawing", "a", make)] == ["text\nnumber 1", "text\nnumber 2"]


def test_a_template_that_changed_is_compiled_again(folder: Path) -> None:
    def page(text: str) -> str:
        env = Environment(loader=DictLoader({"page": text}), bytecode_cache=CompiledTemplates(), autoescape=True)
        return env.get_template("page").render(name="<b>")

    assert [page("Hello {{ name }}"), page("Hello {{ name }}")] == ["Hello &lt;b&gt;"] * 2
    (path,) = folder.iterdir()
    assert page("Bye {{ name }}") == "Bye &lt;b&gt;"
    path.write_bytes(path.read_bytes()[:40])
    assert page("Bye {{ name }}") == "Bye &lt;b&gt;"
