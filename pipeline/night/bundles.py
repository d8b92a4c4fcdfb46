"""Logs into bundles: what handing them over costs is spread over many small ones."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

BUNDLE_LOGS, BUNDLE_BYTES = 32, 4_000_000  # at most in a bundle: some tenths of a second of work (engineering choice)


def bundles(
    paths: Sequence[Path],
    processes: int,
    most_bytes: float = BUNDLE_BYTES,
    most_logs: int = BUNDLE_LOGS,
    least_bytes: float = 0.0,
) -> Iterator[tuple[Path, ...]]:
    """Logs in order, small ones together. No more at once than a quarter of a worker's part of what is left, so that
    all end at about the same time, unless that is less than `least_bytes`."""
    held: list[Path] = []
    size = 0
    for number, path in enumerate(paths):
        try:
            own = os.stat(path).st_size
        except OSError:
            own = 0  # gone meanwhile: taking it will say so
        share = size >= least_bytes and len(held) >= (len(paths) - number) // (4 * processes)
        if held and (share or size + own > most_bytes or len(held) >= most_logs):
            yield tuple(held)
            held, size = [], 0
        held.append(path)
        size += own
    if held:
        yield tuple(held)
