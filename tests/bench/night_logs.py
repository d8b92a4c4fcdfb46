"""Logs for the night's benchmark: one ride written frame by frame, then copied with its times moved, in bulk."""

from __future__ import annotations

import multiprocessing
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import tests.bench.checkout  # noqa: E402, F401
from demo_logs.frames import to_frames  # noqa: E402
from demo_logs.simulator import Logger, Outing, Vehicle, outings_of  # noqa: E402
from demo_logs.simulator.fleet import noise_rng  # noqa: E402
from demo_logs.simulator.logger import observe  # noqa: E402
from demo_logs.writers import candump_text  # noqa: E402
from herdbook.pipeline.vehicle.profile import load_profile  # noqa: E402
from tests.flows.rides import write_ride  # noqa: E402

BEGIN = 1_772_352_000_000_000  # 2026-03-01 08:00 UTC, microseconds


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


class Simulated:
    """A ride of the demo's simulator: every message of the DBC at its own cadence (280 frames a second), with noise,
    hills and brakings. Copied with times moved and serials set; the same ride again and again."""

    def __init__(self, seconds: float) -> None:
        board = load_profile(ROOT / "dbc_demo" / "zirbel.toml")
        vehicle = Vehicle("ZB-9999", board, seed=9)
        outing = Outing("ride", 0, minutes=seconds / 60, soc_pct=90)
        slot, trace, _ = next(iter(outings_of([vehicle], [outing])))
        seen = observe(trace, 0, board, slot[0].kind, Logger(), noise_rng(vehicle, slot[0]), vehicle.noise)
        self.ride = to_frames(seen, board)
        self.frames = len(self.ride)

    def write(self, folder: Path, vehicle: int, day: int) -> Path:
        path = folder / f"ZB-{vehicle:04d}" / f"{day:04d}.log"
        path.parent.mkdir(parents=True, exist_ok=True)
        payload = self.ride.payload
        for can_id, serials in ((0x700, (vehicle, 7000 + vehicle)), (0x701, (9000 + vehicle,))):
            own = np.frombuffer(b"".join(n.to_bytes(4, "little") for n in serials), np.uint8)
            payload[self.ride.can_id == can_id, : len(own)] = own
        moved = self.ride.t + BEGIN + (day * 86_400 + vehicle) * 1_000_000
        path.write_bytes(candump_text(replace(self.ride, t=moved)))
        old = time.time() - 3600
        os.utime(path, (old, old))
        return path


def write_logs(template: Template | Simulated, folder: Path, vehicles: int, days: range, processes: int = 1) -> int:
    """Frames written. processes: that write side by side, when there are many."""
    lots = [range(first, vehicles + 1, processes) for first in range(1, processes + 1)]
    if processes == 1:
        _write_some(template, folder, lots[0], days)
    else:
        with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn")) as pool:
            list(pool.map(partial(_write_some, template, folder, days=days), lots))
    return template.frames * vehicles * len(days)


def _write_some(template: Template | Simulated, folder: Path, vehicles: range, days: range) -> None:
    for vehicle in vehicles:
        for day in days:
            template.write(folder, vehicle, day)
