"""The console blocks of the README and of the manual: read, run, compare, and (make readme) write anew.

A block is fenced as ```console; lines that begin with `$ ` are commands, the lines below them what they print.
"""

from __future__ import annotations

import io
import os
import re
import shlex
import subprocess
import sys
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

from herdbook.flows.cli import ALL_VERBS
from herdbook.pipeline import cli
from herdbook.pipeline.manual import topics
from tests import notebook

ROOT = Path(__file__).parents[1]
DOCUMENTS = [ROOT / "README.md", *(ROOT / "pipeline" / "manual" / f"{topic}.md" for topic in topics())]  # in one folder
BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)
NEWS = (0, 8, 10, 20, 30, 50, 60)  # what a scan, a check or a test may say without having failed


@dataclass(frozen=True, slots=True)
class Said:
    """A command and what the README shows below it; a line `...` stands for lines left out."""

    command: str
    output: str


def commands(text: str) -> list[Said]:
    found = []
    for block in BLOCK.findall(text):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = part.partition("\n")
            found.append(Said(command, output.rstrip("\n")))
    return found


def run(command: str, folder: Path) -> tuple[int, str]:
    """A README command as typed, in a folder that looks like a checkout; standard error joins the output. A query
    alone on its line runs in this process: thirty times to start a new one takes as long as all the rest of SQL."""
    words = list(shlex.shlex(command, posix=True, punctuation_chars=True))
    if words[:2] == ["herdbook", "query"] and "$" not in command and not {"|", ">", "<", ";", "&", "&&"} & {*words}:
        return _asked(shlex.split(command)[1:], folder)
    env = os.environ | {"PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}", "COLUMNS": "110"}
    env |= {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}
    done = subprocess.run(
        ["bash", "-c", command], cwd=folder, env=env, capture_output=True, text=True, timeout=300, check=False
    )
    quiet = "\n".join(line for line in done.stderr.splitlines() if not re.match(r"[\w ]+: .* \d+/\d+$", line))
    return done.returncode, "\n".join(line.rstrip() for line in (done.stdout + quiet).strip("\n").splitlines())


def _asked(words: list[str], folder: Path) -> tuple[int, str]:
    said, code = io.StringIO(), 0
    as_typed = patch.object(sys, "argv", ["herdbook", *words]), patch.dict(os.environ, COLUMNS="110")
    with chdir(folder), as_typed[0], as_typed[1], redirect_stdout(said), redirect_stderr(said):
        try:
            cli.run(cli.build(ALL_VERBS, words))
        except SystemExit as leaving:
            code = leaving.code if isinstance(leaving.code, int) else 0
    return code, "\n".join(line.rstrip() for line in said.getvalue().strip("\n").splitlines())


def shape(text: str) -> list[str]:
    """Words without digits: times, sizes and seconds differ from run to run, and with them where a line is broken."""
    text = re.sub(r"\b[0-9a-f]{12,64}\b", "#", text)  # hashes and seals
    return re.sub(r"[\d.,#]+", "#", text).split()


def left_out(words: list[str], shown: str) -> list[str]:
    """The words of an output without those that the README leaves out at its line `...`."""
    head, *rest = re.split(r"^\.\.\.$", shown, maxsplit=1, flags=re.MULTILINE)
    if not rest:
        return words
    before, after = len(shape(head)), len(shape(rest[0]))
    return [*words[:before], *shape("..."), *words[len(words) - after :]]


def shortened(output: str, shown: str) -> str:
    """The new output cut as the shown one is: as many lines before and after its `...`."""
    if "..." not in shown.splitlines():
        return output
    lines, old = output.splitlines(), shown.splitlines()
    head = old.index("...")
    tail = len(old) - head - 1
    return "\n".join([*lines[:head], "...", *(lines[-tail:] if tail else [])])


def prepare(folder: Path) -> None:
    """Make a folder look like a fresh checkout to the commands."""
    for said in (one for path in DOCUMENTS for one in commands(path.read_text("utf-8"))):
        if said.command.startswith("cat "):  # a file the reader is shown, here made from what is shown
            shown = folder / said.command.split()[1]
            shown.parent.mkdir(parents=True, exist_ok=True)
            shown.write_text(said.output + "\n", "utf-8")
    for name in ("demo_logs", "dbc_demo"):
        if not (folder / name).exists():
            (folder / name).symlink_to(ROOT / name)


def write_anew(folder: Path) -> None:
    prepare(folder)
    for path in DOCUMENTS:
        _write_one_anew(path, folder)


def _write_one_anew(path: Path, folder: Path) -> None:
    text = path.read_text("utf-8")
    at = 0
    for said in commands(text):
        code, output = run(said.command, folder)
        print(f"{code:3d}  {said.command}")
        if code not in NEWS:
            sys.exit(output)
        fresh = output if said.output == "..." else shortened(output, said.output)  # `...` alone: fill it in
        at = text.index(f"$ {said.command}\n", at) + len(said.command) + 3
        text = text[:at] + fresh + text[at + len(said.output) :]
    path.write_text(text, "utf-8")


if __name__ == "__main__":
    import tempfile

    with tempfile.TemporaryDirectory() as scratch:
        write_anew(Path(scratch))
    with tempfile.TemporaryDirectory() as scratch:
        notebook.write_anew(Path(scratch))
