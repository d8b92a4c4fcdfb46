"""Damaged logs read by us and by the peer of each format: what differs without a loss told is rare and explained.

The table of what was met and why stands in tests/store/RESULTS.md; the campaign in tests/decoders/differential.py.
"""

from __future__ import annotations

import pytest

from tests.decoders.differential import campaign


def unexplained(count: int, seed: int, wanted: tuple[str, ...]) -> dict[str, int]:
    """By format: how often the peer had frames that we had not and told no loss of."""
    found = campaign(count, seed, wanted=wanted)
    assert set(found) == set(wanted)
    return {kind: n for kind, counts in found.items() if (n := counts["the peer keeps more, no loss told"])}


def test_the_peer_never_has_frames_that_we_lost_without_a_word() -> None:
    assert unexplained(40, 3, ("asc", "blf", "candump", "csv", "trc")) == {}


@pytest.mark.slow
def test_nor_in_many_damaged_logs() -> None:
    assert unexplained(1000, 17, ("asc", "blf", "candump", "csv", "db", "trc")) == {}
