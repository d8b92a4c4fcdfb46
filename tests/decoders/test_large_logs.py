"""Memory does not grow with the log. The long form, with a log of 4 GB, is `make large`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.decoders.large import decoded_apart, measure, write_large


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["log", "asc", "blf"])
def test_a_log_of_300_megabytes(tmp_path: Path, kind: str) -> None:
    assert measure(kind, 300_000_000, tmp_path)["peak_mb"] < 600


@pytest.mark.slow
def test_memory_levels_off(tmp_path: Path) -> None:
    """Three times the log takes no tenth more: past its first million frames a log adds nothing."""
    peaks = []
    for size in (200_000_000, 600_000_000):
        path = tmp_path / "large.log"
        write_large(path, size)
        peaks.append(decoded_apart(path)["peak_mb"])
        path.unlink()
    assert peaks[1] < 1.1 * peaks[0]
