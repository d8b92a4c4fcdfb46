"""What tests of many rooms share."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

# As the command and its workers do, and before numpy: two threads on two busy cores wait for each other at each of our
# small matrices, sixty times as long as one takes for them.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from tests.toy.bench import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest test by far first: at the end one process would wait for it."""
    items.sort(key=lambda item: item.path.name != "test_readme.py")
