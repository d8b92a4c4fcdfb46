"""Bundles: every log once and in order, none too large, and shared among the workers."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.flows.night.bundles import bundles


def write(folder: Path, sizes: list[int]) -> list[Path]:
    paths = [folder / f"{i:03d}.log" for i in range(len(sizes))]
    for path, size in zip(paths, sizes, strict=True):
        path.write_bytes(b"x" * size)
    return paths


@pytest.mark.parametrize(
    ("sizes", "size_mb", "workers", "expected"),
    [
        ([100_000] * 10, 0.25, 2, [2, 2, 2, 2, 2]),  # by size
        ([100_000] * 10, 0.0, 2, [1] * 10),  # a task a log
        ([100_000] * 10, 16.0, 2, [10]),  # under the least worth sharing
        ([500_000] * 16, 16.0, 2, [4, 4, 4, 4]),  # two for each worker
        ([5_000_000, 10, 10], 1.0, 1, [1, 2]),  # a large log goes alone
        ([], 16.0, 2, []),
    ],
)
def test_bundles(tmp_path: Path, sizes: list[int], size_mb: float, workers: int, expected: list[int]) -> None:
    paths = write(tmp_path, sizes)
    made = bundles(paths, size_mb, workers)
    assert [p for bundle in made for p in bundle] == paths
    assert [len(b) for b in made] == expected


def test_a_log_that_went_away_meanwhile_is_still_asked_for(tmp_path: Path) -> None:
    """Taking it will say that it is gone; leaving it out here would hide that."""
    assert bundles([tmp_path / "gone.log"], 16.0, 2) == [[tmp_path / "gone.log"]]
