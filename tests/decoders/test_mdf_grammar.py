"""Measurement files whose blocks are wrong: told, refused by name or read alike, and never an error or without end."""

from __future__ import annotations

import pytest

from tests.decoders.mdf_grammar import campaign


def bad(count: int, seed: int) -> list[tuple[str, str]]:
    """Trials that must not be: faults, hangs, and frames that the peer has and we lost without a word."""
    told = list(campaign(count, seed))
    assert len(told) == count
    assert sum(said == "the same frames" for said, _ in told) < 0.5 * count  # most changes matter
    return [(said, what) for said, what in told if said.startswith(("fault", "hangs")) or _lost(said)]


def _lost(said: str) -> bool:
    """ "others, unlike the peer: 36 frames of 40, the peer 40" lost four."""
    numbers = [int(word.strip(",")) for word in said.split() if word.strip(",").isdigit()]
    return len(numbers) == 3 and numbers[0] < min(numbers[1:])


def test_some_files() -> None:
    assert bad(80, 17) == []


@pytest.mark.slow
def test_two_thousand_files() -> None:
    assert bad(2000, 18) == []
