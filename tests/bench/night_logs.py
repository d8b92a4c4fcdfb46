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
        self.named = [i for i, r in enumerate(self.rest) if "can0 700#" in r or "can0 701#" in r]  # the serials
        self.frames = len(lines)

    def write(self, folder: Path, vehicle: int, day: int) -> Path:
        """The ride on another day of another vehicle, with that vehicle's serials; an hour old, so that the inbox takes
        it at once."""
        path = folder / f"ZB-{vehicle:04d}" / f"{day:04d}.log"
        path.parent.mkdir(parents=True, exist_ok=True)
        moved = self.micros + (day * 86_400 + vehicle) * 1_000_000
        for i in self.named:
            self.rest[i] = self._own(self.rest[i], vehicle)
        heads = [f"({t // 1_000_000}.{t % 1_000_000:06d}" for t in moved.tolist()]
        path.write_text("".join(h + r for h, r in zip(heads, self.rest, strict=True)), "ascii")
        old = time.time() - 3600
        os.utime(path, (old, old))
        return path

    @staticmethod
    def _own(line: str, vehicle: int) -> str:
        head, data = line.split("#")
        if head.endswith("700"):
            return f"{head}#{_serial(vehicle)}{_serial(7000 + vehicle)}\n"
        return f"{head}#{_serial(9000 + vehicle)}{data[8:]}"


def _serial(number: int) -> str:
    return number.to_bytes(4, "little").hex().upper()


def write_logs(template: Template, folder: Path, vehicles: int, days: range) -> int:
    """Frames written."""
    for vehicle in range(1, vehicles + 1):
        for day in days:
            template.write(folder, vehicle, day)
    return template.frames * vehicles * len(days)
