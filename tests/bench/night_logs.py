"""Logs for the night's benchmark: one ride written frame by frame, then copied with its times moved, in bulk."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.flows.rides import write_ride  # noqa: E402


class Template:
    """One ride as text: the times apart from the rest of each line."""

    def __init__(self, folder: Path, seconds: float) -> None:
        lines = write_ride(folder, 9999, 0, seconds=seconds).read_text("ascii").splitlines()
        times, rest = zip(*(line.split(") ", 1) for line in lines), strict=True)
        self.micros = np.array([round(float(t[1:]) * 1e6) for t in times], np.int64)
        self.rest = [f") {r}\n" for r in rest]
        self.frames = len(lines)

    def write(self, folder: Path, vehicle: int, day: int) -> Path:
        """The ride on another day of another vehicle; an hour old, so that the inbox takes it at once. The serial on
        the bus stays that of the template: the path names the vehicle."""
        path = folder / f"ZB-{vehicle:04d}" / f"{day:04d}.log"
        path.parent.mkdir(parents=True, exist_ok=True)
        moved = self.micros + (day * 86_400 + vehicle) * 1_000_000
        heads = [f"({t // 1_000_000}.{t % 1_000_000:06d}" for t in moved.tolist()]
        path.write_text("".join(h + r for h, r in zip(heads, self.rest, strict=True)), "ascii")
        old = time.time() - 3600
        os.utime(path, (old, old))
        return path


def write_logs(template: Template, folder: Path, vehicles: int, days: range) -> int:
    """Frames written."""
    for vehicle in range(1, vehicles + 1):
        for day in days:
            template.write(folder, vehicle, day)
    return template.frames * vehicles * len(days)
