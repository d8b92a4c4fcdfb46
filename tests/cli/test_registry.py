"""Every module in a folder of verbs is a verb, and has what a person needs: help, an example, a word in the manual."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest
import typer
from typer.testing import CliRunner

from herdbook.flows.cli import ALL_VERBS
from herdbook.pipeline.cli import build, verbs
from tests import readme

README = "\n".join(path.read_text("utf-8") for path in readme.DOCUMENTS)


def commands(verb: ModuleType) -> list[tuple[str, typer.models.CommandInfo]]:
    """What a module registers, by the name that is typed; verbs of a group with the group's name before theirs."""
    app = typer.Typer()
    verb.register(app)
    groups = [(g.name or "", g.typer_instance) for g in app.registered_groups]
    return [(_name(c), c) for c in app.registered_commands] + [
        (f"{group} {_name(c)}", c) for group, below in groups if below for c in below.registered_commands
    ]


def _name(command: typer.models.CommandInfo) -> str:
    assert command.callback
    return command.name or command.callback.__name__


def lacks(verb: ModuleType, readme: str) -> list[str]:
    """What a verb's module still needs, each in a few words."""
    here = verb.__name__.rpartition(".")[2]
    found = []
    if not isinstance(getattr(verb, "ORDER", None), int):
        found.append(f"{here}.py has no ORDER = n, its place in --help")
    if not callable(getattr(verb, "register", None)):
        return [*found, f"{here}.py has no register(app)"]
    known = commands(verb)
    if not [name for name, _ in known if name.split()[0] == here]:
        found.append(f"{here}.py registers no verb of its own name")
    for name, command in known:
        if not (command.callback and command.callback.__doc__):
            found.append(f"herdbook {name} has no help: write a docstring")
        if not (command.epilog or "").startswith(f"Example: herdbook {name}"):
            found.append(f"herdbook {name} has no example: epilog='Example: herdbook {name} ...'")
        if f"herdbook {name}" not in readme:
            found.append(f"herdbook {name} is in neither README nor manual")
    return found


@pytest.mark.parametrize("verb", verbs(ALL_VERBS), ids=lambda verb: str(verb.__name__).rpartition(".")[2])
def test_a_verb_has_all_that_it_needs(verb: ModuleType) -> None:
    assert lacks(verb, README) == []


def test_no_two_verbs_have_the_same_place() -> None:
    places = [verb.ORDER for verb in verbs(ALL_VERBS)]
    assert places == sorted(set(places))


def module(**of: object) -> ModuleType:
    made = ModuleType("weigh")
    vars(made).update(of)
    return made


def registering(epilog: str, doc: str | None) -> Callable[[typer.Typer], None]:
    def register(app: typer.Typer) -> None:
        def weigh() -> None: ...

        weigh.__doc__ = doc
        app.command(epilog=epilog)(weigh)

    return register


EXAMPLE, HELP, TEXT = "Example: herdbook weigh x", "Weigh it.", "... `herdbook weigh x` ..."


@pytest.mark.parametrize(
    ("verb", "readme", "said"),
    [
        (module(register=registering(EXAMPLE, HELP)), TEXT, "has no ORDER"),
        (module(ORDER=1), TEXT, "has no register(app)"),
        (module(ORDER=1, register=lambda app: None), TEXT, "registers no verb of its own name"),
        (module(ORDER=1, register=registering(EXAMPLE, None)), TEXT, "has no help"),
        (module(ORDER=1, register=registering("Example: weigh", HELP)), TEXT, "has no example"),
        (module(ORDER=1, register=registering(EXAMPLE, HELP)), "", "is in neither README nor manual"),
    ],
)
def test_what_a_verb_lacks_is_said(verb: ModuleType, readme: str, said: str) -> None:
    (found,) = lacks(verb, readme)
    assert said in found
    assert "weigh" in found


def test_a_module_in_the_folder_is_a_verb(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "scratch_verbs"
    folder.mkdir()
    (folder / "__init__.py").touch()
    for name, order in (("later", 2), ("sooner", 1)):
        (folder / f"{name}.py").write_text(f"ORDER = {order}\n\n\ndef register(app):\n    pass\n")
    (folder / "inside").mkdir()
    (folder / "inside" / "__init__.py").touch()
    monkeypatch.syspath_prepend(tmp_path)
    assert [verb.__name__ for verb in verbs(["scratch_verbs"])] == ["scratch_verbs.sooner", "scratch_verbs.later"]


def test_the_verb_that_was_typed_is_made_ready_alone_and_says_the_same() -> None:
    """`herdbook look` need not wait until fifty other verbs are ready."""
    for name in ("look", "store", "night"):
        assert _known([name, "--help"]) < _known([]), name
        alone, among_all = (CliRunner().invoke(build(ALL_VERBS, asked), [name, "--help"]) for asked in ([name], []))
        assert alone.output == among_all.output
        assert f"herdbook {name}" in alone.output


@pytest.mark.parametrize("typed", [["--help"], ["lok"], ["Look"], ["terminal"], ["__init__"], ["../look"], [""]])
def test_whatever_else_is_typed_all_verbs_are_there(typed: list[str]) -> None:
    assert _known(typed) == _known([])


def _known(typed: list[str]) -> set[str]:
    app = typer.main.get_command(build(ALL_VERBS, typed))
    return set(app.list_commands(typer.Context(app))) if isinstance(app, typer.core.TyperGroup) else set()


@pytest.mark.parametrize("asked", [[], *([verb] for verb in ("book", "herd", "line", "profile", "stand", "store"))])
@pytest.mark.parametrize("columns", ["80", "160"])
def test_the_help_says_whole_sentences(asked: list[str], columns: str) -> None:
    """They broke off at the width of the terminal: "fail or not..."."""
    said = CliRunner().invoke(build(ALL_VERBS), [*asked, "--help"], env={"COLUMNS": columns}).output
    assert "Commands:" in said
    assert "..." not in said.replace("[ARGS]...", "")
