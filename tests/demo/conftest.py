"""Short simulated outings that several tests look at."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cantools
import pytest

from demo_logs.frames import to_frames
from demo_logs.simulator import Logger, Outing, Vehicle, outings_of
from demo_logs.simulator.batch import Batch
from demo_logs.simulator.fleet import noise_rng
from demo_logs.simulator.logger import Observed, observe
from demo_logs.simulator.trace import Trace
from herdbook.decoders import Frames
from herdbook.pipeline.vehicle.profile import Profile, load_profile

DBC_DEMO = Path(__file__).resolve().parents[2] / "dbc_demo"
T0 = 1_772_352_000_000_000
NAMES = ("zirbel", "saumer")


def load(path: Path) -> Any:
    """A DBC file as cantools has it, loaded strictly."""
    return cantools.database.load_file(str(path), strict=True)


@dataclass(frozen=True)
class Short:
    """One minute of riding of one vehicle, true and as logged."""

    profile: Profile
    trace: Trace
    batch: Batch
    observed: list[Observed]
    frames: Frames


def short_ride(name: str, seed: int = 3, minutes: float = 1.0) -> Short:
    profile = load_profile(DBC_DEMO / f"{name}.toml")
    vehicle = Vehicle("X-0001", profile, seed, serial=4711)
    slot, trace, batch = next(iter(outings_of([vehicle], [Outing("ride", T0, minutes, soc_pct=60.0)])))
    seen = observe(trace, 0, profile, "ride", Logger(), noise_rng(vehicle, slot[0]))
    return Short(profile, trace, batch, seen, to_frames(seen, profile))


@pytest.fixture(scope="session", params=NAMES)
def short(request: pytest.FixtureRequest) -> Short:
    return short_ride(request.param)
