"""Readers through nights: each look is that of whole nights, and no night or reader is disturbed (readers.py)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.store.readers import check, watched


def test_three_readers(tmp_path: Path) -> None:
    seen, rows = watched(3, 4, tmp_path)
    assert check(seen, rows, 4) == []


@pytest.mark.slow
def test_twenty_readers(tmp_path: Path) -> None:
    seen, rows = watched(20, 8, tmp_path)
    assert check(seen, rows, 8) == []
    assert len({one.nights for looks in seen for one in looks}) > 3  # they looked while nights ran
