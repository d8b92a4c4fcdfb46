"""The campaign of kills: what is asked for is what runs, and an entry that fails is told, with why."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.store import kill_campaign, typed_verbs
from tests.store.kill_campaign import SOUND, asked, killed
from tests.store.verb_kills import VERBS

Look = Callable[[Path], object]


def test_all_entries_those_typed_or_those_named_once() -> None:
    assert asked([]).entries == list(VERBS)
    assert asked(["--typed"]).entries == list(typed_verbs.VERBS)
    assert asked(["take", "demo", "take"]).entries == ["take", "demo"]


@pytest.mark.parametrize("words", [["tkae"], ["--kills", "0"], ["--jobs", "0"]])
def test_a_slip_in_the_question_is_refused(words: list[str]) -> None:
    with pytest.raises(SystemExit) as refused:
        asked(words)
    assert refused.value.code == 2


def test_what_differs_is_told_with_the_kills_until_then(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = []

    def survive(entry: str, kills: int, rng: random.Random, folder: Path, look: Look) -> int:
        drawn.append(rng.random())
        for _ in range(kills):
            look(folder)
        assert entry == "take", "a row is doubled"
        return kills

    monkeypatch.setattr(kill_campaign, "survive", survive)
    sound, bad = killed("take", 3, 17), killed("scan", 2, 17)
    assert (sound.kills, sound.said) == (3, SOUND)
    assert bad.kills == 2
    assert "a row is doubled" in bad.said
    assert drawn[0] != drawn[1], "entries are killed at instants of their own"
    killed("take", 3, 17)
    assert drawn[2] == drawn[0]
