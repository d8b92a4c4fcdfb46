"""Templates are compiled once: kept as Python keeps what it compiled, compiled anew where that cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment

from herdbook.pipeline.reports.page import compiled
from herdbook.pipeline.reports.page.compiled import CompiledTemplates


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(compiled, "FOLDER", tmp_path / "__pycache__")
    monkeypatch.setattr("sys.dont_write_bytecode", False)
    return tmp_path / "__pycache__"


def page(text: str, made: list[str]) -> str:
    class Noting(Environment):
        def compile(self, *args: object, **given: object) -> object:  # type: ignore[override]
            made.append(text)
            return super().compile(*args, **given)  # type: ignore[call-overload]

    env = Noting(loader=DictLoader({"page": text}), bytecode_cache=CompiledTemplates(), autoescape=True)
    return env.get_template("page").render(name="<b>")


def test_a_template_is_compiled_once_until_it_changes(folder: Path) -> None:
    made: list[str] = []
    assert [page("Hello {{ name }}", made) for _ in range(3)] == ["Hello &lt;b&gt;"] * 3
    assert page("Bye {{ name }}", made) == "Bye &lt;b&gt;"
    assert made == ["Hello {{ name }}", "Bye {{ name }}"]


@pytest.mark.parametrize("left", [0, 10, 40, 200])
def test_a_damaged_one_is_compiled_again(folder: Path, left: int) -> None:
    made: list[str] = []
    page("Hello {{ name }}", made)
    (path,) = folder.iterdir()
    path.write_bytes(path.read_bytes()[:left])
    assert page("Hello {{ name }}", made) == "Hello &lt;b&gt;"
    assert len(made) == 2


def test_nothing_is_written_where_python_writes_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.dont_write_bytecode", True)
    assert page("Hello {{ name }}", []) == "Hello &lt;b&gt;"
    assert not folder.exists()


def test_a_folder_that_cannot_be_written_is_no_fault(folder: Path) -> None:
    folder.write_text("a file where the folder should be")
    made: list[str] = []
    assert [page("Hello {{ name }}", made) for _ in range(2)] == ["Hello &lt;b&gt;"] * 2
    assert len(made) == 2
