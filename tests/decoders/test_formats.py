"""The folder is the registry: a format of decoders/formats is tried by everything as soon as its trial is written."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from herdbook.decoders.formats import all_readers
from tests.decoders.trial import HERE, Trial, all_trials, trials

READERS = sorted(name for name, reader in all_readers().items() if not reader.rest)  # plugins: see test_rest


@pytest.mark.parametrize("name", READERS)
def test_every_format_has_its_trial(name: str) -> None:
    assert (HERE / f"{name}.py").exists(), (
        f"The format {name} of decoders/formats is not tried. Write tests/decoders/formats/{name}.py with "
        "TRIAL = Trial(...): an independent writer and reader, and how its files may be damaged. "
        "tests/decoders/trial.py says what each field means; candump.py beside it is an example."
    )


@pytest.mark.parametrize("name", all_trials())
def test_every_trial_is_of_a_format(name: str) -> None:
    assert name in READERS, f"tests/decoders/formats/{name}.py tries a format that decoders/formats does not have."
    assert all_readers()[name].name == name


@pytest.mark.parametrize("path", sorted(HERE.glob("*.py")), ids=lambda p: p.stem)
def test_a_trial_shares_no_code_with_the_reader_it_tries(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        named = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        named += [a.name for a in node.names] if isinstance(node, ast.Import) else []
        assert not [n for n in named if n.startswith("herdbook")], (
            f"{path.name} imports {named[0]}: a peer that shares code with our reader shares its faults."
        )


@pytest.mark.parametrize("trial", trials("text"))
def test_a_text_format_says_what_a_last_line_without_an_end_is_worth(trial: Trial) -> None:
    lines = {good for _, _, good in trial.last_lines}
    assert lines == {True, False}, "last_lines needs a line of which nothing can be missing, and one that may be cut."
