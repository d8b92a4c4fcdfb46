"""A bit that flips in a store is noticed before a number is shown, or changes none (tests/store/flips.py)."""

from __future__ import annotations

import pytest

from tests.store.flips import campaign


def quiet(count: int, seed: int) -> list[tuple[str, str]]:
    """Flips that changed a number or a setting without a word, or met a fault of ours."""
    told = list(campaign(count, seed))
    assert len(told) == count
    assert any(end.startswith("noticed") for _, end in told)
    return [(kind, end) for kind, end in told if not end.startswith(("noticed", "told", "harmless"))]


def test_a_few_flips() -> None:
    assert quiet(15, seed=1) == []


@pytest.mark.slow
def test_a_thousand_flips() -> None:
    assert quiet(1000, seed=17) == []
