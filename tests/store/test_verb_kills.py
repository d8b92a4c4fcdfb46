"""Every verb that writes may be killed at any instant and run again (tests/store/verb_kills.py)."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.store.verb_kills import SHEET, VERBS, entered, survive


@pytest.mark.parametrize("verb", ["store check --repair", "mute --lift"])
def test_a_killed_verb_is_finished_by_the_next_run(verb: str, tmp_path: Path) -> None:
    assert survive(verb, 2, random.Random(1), tmp_path) >= 2


@pytest.mark.parametrize("kills", [3, pytest.param(20, marks=pytest.mark.slow)])
def test_a_killed_import_is_never_half_there(kills: int, tmp_path: Path) -> None:
    """After each kill the book holds all of the sheet or nothing of it; the next run holds all of it, once."""
    seen: set[int] = set()
    assert survive("book import", kills, random.Random(4), tmp_path, lambda here: seen.add(entered(here))) >= kills
    assert seen <= {0, SHEET}


@pytest.mark.slow
@pytest.mark.parametrize("verb", list(VERBS))
def test_twenty_kills_of_a_verb(verb: str, tmp_path: Path) -> None:
    assert survive(verb, 20, random.Random(17), tmp_path) >= 20
