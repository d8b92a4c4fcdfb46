"""A bench whose lake lies on object storage, and one beside it whose lake is a folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lake.far import bucket
from tests.toy.bench import Bench
from tests.toy.s3 import S3, far_bench, running


@pytest.fixture(scope="module")
def s3() -> Iterator[S3]:
    with running() as server:
        yield server


@pytest.fixture
def far(s3: S3, tmp_path: Path) -> Bench:
    return far_bench(tmp_path / "far", s3, bucket(tmp_path))


@pytest.fixture
def near(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "near")
