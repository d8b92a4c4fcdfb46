"""A log of any length is taken in within bounded memory (tests/store/large_log.py)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.store.large_log import measure


@pytest.mark.slow
def test_three_gigabytes(tmp_path: Path) -> None:
    assert measure(3_000_000_000, False, tmp_path)["peak_mb"] < 1500


@pytest.mark.slow
def test_five_million_times_that_run_back(tmp_path: Path) -> None:
    found = measure(240_000_000, True, tmp_path)
    assert found["frames"] > 5_000_000
    assert found["peak_mb"] < 1500
