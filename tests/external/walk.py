"""The walk of somebody new, by the commands that the manual names: draft, edit by hand, check, check against logs,
scan, dossier. Counts the lines that a hand had to write and the seconds of the commands.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from typer.testing import CliRunner

from herdbook.pipeline.cli import build


@dataclass
class Walk:
    """folder: of the DBC files, where the profile and all else will lie. lines: edited by hand so far."""

    folder: Path
    name: str
    lines: int = 0
    seconds: float = 0.0

    @property
    def profile(self) -> Path:
        return self.folder / f"{self.name}.toml"

    def run(self, *words: object, code: int = 0) -> str:
        """What a command prints. Raises: AssertionError for another exit code."""
        begun = time.monotonic()
        said = CliRunner().invoke(build(), [str(w) for w in words], env={"COLUMNS": "200"})
        self.seconds += time.monotonic() - begun
        assert said.exit_code == code, (said.exit_code, said.output[-3000:], said.exception)
        return said.output

    def draft(self, *dbc: Path) -> str:
        self.run("profile", "draft", *dbc, "--out", self.profile)
        return self.profile.read_text("utf-8")

    def edit(self, table: str, wanted: Mapping[str, str]) -> None:
        """Write lines of one table by hand: in place of that key's own, commented out or not, else a new one."""
        lines = self.profile.read_text("utf-8").splitlines()
        begin = lines.index(f"[{table}]") + 1
        end = next((k for k in range(begin, len(lines)) if lines[k].startswith(("[", "# To do"))), len(lines))
        for key, value in wanted.items():
            at = [k for k in range(begin, end) if lines[k].removeprefix("# ").startswith(f"{key} =")]
            if at:
                lines[at[0]] = f"{key} = {value}"
            else:
                lines.insert(begin, f"{key} = {value}")
                end += 1
            self.lines += 1
        self.profile.write_text("\n".join(lines) + "\n", "utf-8")

    def uncomment(self, table: str, *keys: str, add: str = "") -> None:
        """Take the # away from lines of the draft; add: more for the mapping, before its last brace."""
        text = self.profile.read_text("utf-8").splitlines()
        for key in keys:
            (at,) = [k for k, line in enumerate(text) if line.startswith(f"# {key} = ")]
            value = text[at].removeprefix(f"# {key} = ").rsplit("  # ", 1)[0]
            self.edit(table, {key: f"{value.rstrip(' }')}, {add} }}" if add else value})
