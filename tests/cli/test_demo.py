"""herdbook demo says commands that can be copied as they stand."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from herdbook.pipeline.cli import build
from herdbook.pipeline.commands import demo
from herdbook.pipeline.errors import StoreError


def test_a_folder_with_a_space_in_its_name_stands_whole_in_every_command(tmp_path: Path) -> None:
    folder = tmp_path / "to try"
    done = CliRunner().invoke(build(), ["demo", str(folder)], env={"COLUMNS": "80"})
    assert done.exit_code == 0, done.output
    said = [shlex.split(line) for line in done.output.splitlines() if line.startswith("  herdbook ")]
    assert len(said) == 9
    for words in said:
        paths = [Path(word) for word in words if str(tmp_path) in word]
        assert paths
        made_later = {folder / "store", folder / "site"}
        assert all(path in made_later or path.exists() for path in paths), words


def test_an_empty_folder_is_filled_and_stays_the_folder_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / demo.DRAFT).mkdir()  # of one that was killed
    assert CliRunner().invoke(build(), ["demo", "."]).exit_code == 0
    assert Path.cwd().samefile(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir() if p.is_dir()) == [
        "acceptance",
        "book",
        "logs",
        "profiles",
        "stand",
    ]


def test_nothing_is_kept_of_a_demo_that_could_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("shutil.copy", full)
    done = CliRunner().invoke(build(), ["demo", str(tmp_path / "try")])
    assert isinstance(done.exception, StoreError)
    assert "No space left on device" in str(done.exception)
    assert list(tmp_path.iterdir()) == []
