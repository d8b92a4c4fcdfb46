"""What tests of many rooms share."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.toy.bench import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest test by far first: at the end one process would wait for it."""
    items.sort(key=lambda item: item.path.name != "test_readme.py")
