"""Logs into bundles, so that what a task costs is spread over many small ones."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

LEAST_MB = 1.0  # a smaller bundle costs more as a task than it gains by being shared


def bundles(paths: Sequence[Path], size_mb: float, workers: int, most: int = 200) -> list[list[Path]]:
    """Logs in order, small ones together up to size_mb, so that what a task costs is spread over many; but at least
    two bundles for each worker when there is enough to share, so that none waits for another's."""
    sizes = [_size_mb(path) for path in paths]
    size_mb = min(size_mb, max(LEAST_MB, sum(sizes) / (2 * workers)))
    out: list[list[Path]] = []
    held = 0.0
    for path, size in zip(paths, sizes, strict=True):
        if not out or held + size > size_mb or len(out[-1]) >= most:
            out.append([])
            held = 0.0
        out[-1].append(path)
        held += size
    return out


def _size_mb(path: Path) -> float:
    try:
        return path.stat().st_size / 1e6
    except OSError:
        return 0.0  # gone meanwhile: taking it will say so
