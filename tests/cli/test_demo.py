"""herdbook demo says commands that can be copied as they stand."""

from __future__ import annotations

import shlex
from pathlib import Path

from typer.testing import CliRunner

from herdbook.pipeline.cli import build


def test_a_folder_with_a_space_in_its_name_stands_whole_in_every_command(tmp_path: Path) -> None:
    folder = tmp_path / "to try"
    done = CliRunner().invoke(build(), ["demo", str(folder)], env={"COLUMNS": "80"})
    assert done.exit_code == 0, done.output
    said = [shlex.split(line) for line in done.output.splitlines() if line.startswith("  herdbook ")]
    assert len(said) == 8
    for words in said:
        paths = [Path(word) for word in words if str(tmp_path) in word]
        assert paths
        made_later = {folder / "store", folder / "site"}
        assert all(path in made_later or path.exists() for path in paths), words
