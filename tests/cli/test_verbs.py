"""The command line as a person meets it: help with an example, errors of one line, exit codes, inert hostile text."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

from herdbook.flows.cli import ALL_VERBS
from herdbook.pipeline.cli import verbs
from herdbook.pipeline.commands.terminal import screen

NAMES = [verb.__name__.rpartition(".")[2] for verb in verbs(ALL_VERBS)]


def herdbook(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "herdbook.flows.cli", *args], capture_output=True, text=True, timeout=300, check=False
    )


def test_help_lists_every_verb() -> None:
    shown = herdbook("--help")
    assert shown.returncode == 0
    assert not [v for v in NAMES if f" {v} " not in shown.stdout]


def test_the_version_is_said() -> None:
    said = herdbook("--version")
    assert (said.returncode, said.stdout) == (0, f"herdbook {version('herdbook')}\n")


@pytest.mark.parametrize("verb", [v for v in NAMES if v != "store"])
def test_every_verb_has_help_with_an_example(verb: str) -> None:
    shown = herdbook(verb, "--help")
    assert shown.returncode == 0
    assert f"Example: herdbook {verb}" in " ".join(shown.stdout.split())


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (("fleet", "--store", "nowhere"), 5, "there is no store"),
        (("rules", "no_such_rule"), 7, "no rule"),
        (("profile", "check", "nothing.toml"), 3, "cannot be read"),
        (("scan", "nowhere", "--store", "a-file/x"), 5, "a-file"),
        (("frobnicate",), 2, "No such command"),
    ],
)
def test_an_error_is_a_line_and_a_code(
    args: tuple[str, ...], code: int, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a-file").write_text("not a folder")
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parents[2]))
    said = herdbook(*args)
    assert said.returncode == code, said.stderr
    assert words in " ".join(said.stderr.split())  # lines are broken where the folder's name is long
    assert "Traceback" not in said.stderr


def test_help_imports_nothing_heavy() -> None:
    """Start-up is a promise: what takes long to import waits until a verb needs it."""
    code = (
        "import sys\nfrom herdbook.flows.cli import ALL_VERBS\n"
        "from herdbook.pipeline.cli import build\nbuild(ALL_VERBS)\n"
        "heavy = {'polars', 'duckdb', 'plotly', 'scipy', 'cantools', 'can', 'prefect', 'pyarrow', 'numpy', 'jinja2'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "[]"


@pytest.mark.parametrize("text", ["\x1b[31mred", "\x1b]0;title\x07", "a\u202eb", "\x9b2J", "tab\tbell\x07"])
def test_hostile_text_is_inert_on_the_terminal(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    """ECMA-48 control sequences and direction marks from a serial or file name are shown, not obeyed."""
    screen.say(text)
    screen.table(text, (text,), [(text,)])
    shown = capsys.readouterr().out
    assert not [c for c in shown if (ord(c) < 32 and c != "\n") or 0x7F <= ord(c) < 0xA0 or c == "\u202e"]


def test_markup_in_texts_is_shown_as_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    screen.say("[bold]ZB-1[/bold]")
    screen.table("t", ("a",), [("[red]x[/red]",)])
    shown = capsys.readouterr().out
    assert "[bold]ZB-1[/bold]" in shown
    assert "[red]x[/red]" in shown


def test_json_is_strict() -> None:
    given = {"a": float("nan"), "b": (1, 2.5, None, float("inf"))}
    assert screen.plain(given) == {"a": None, "b": [1, 2.5, None, None]}
