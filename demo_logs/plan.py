"""The committed fleet: who they are, what is wrong with them, which outings were logged, and into which file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from demo_logs.simulator import Fault, Logger, Outing, Vehicle
from herdbook.pipeline.vehicle.profile import Profile, load_profile

PROFILES = Path(__file__).resolve().parent.parent / "dbc_demo"


@dataclass(frozen=True, slots=True)
class LogPlan:
    """One log file and the outings it holds. sidecar: entries of the TOML beside it. keep: share of the file's
    bytes that survive (a cut log). spoil: share of frames with a flipped bit."""

    file: str
    outings: tuple[Outing, ...]
    logger: Logger = field(default_factory=Logger)
    sidecar: dict[str, str] = field(default_factory=dict)
    relative: bool = False
    keep: float = 1.0
    spoil: float = 0.0


@dataclass(frozen=True, slots=True)
class Unit:
    """A vehicle and its logs in order of time."""

    vehicle: Vehicle
    logs: tuple[LogPlan, ...]


def at(day: str, clock: str = "08:00") -> int:
    """Microseconds UTC of a day and a time, "2026-03-02", "08:00"."""
    return int(datetime.fromisoformat(f"{day}T{clock}:00").replace(tzinfo=UTC).timestamp()) * 1_000_000


def ride(day: str, clock: str, minutes: float, soc: float | None, air: float = 14.0, style: str = "town") -> Outing:
    return Outing("ride", at(day, clock), minutes, air, style, soc)


def charge(day: str, clock: str, soc: float | None, air: float = 17.0, minutes: float = 105.0) -> Outing:
    return Outing("charge", at(day, clock), minutes, air, "town", soc)


def rest(day: str, clock: str, minutes: float = 90.0, air: float = 17.0) -> Outing:
    return Outing("rest", at(day, clock), minutes, air)


DOCK = Logger(burst_s=5.0)
START = 0  # onset before the first log


def units(seed: int) -> list[Unit]:
    """The fleet. Faults and sizes are chosen for what a service desk meets, not for what rules look at."""
    board, trike = load_profile(PROFILES / "zirbel.toml"), load_profile(PROFILES / "saumer.toml")

    def zirbel(number: int, *faults: Fault, **more: Any) -> Vehicle:
        return _vehicle("ZB", number, board, seed, faults, more)

    def saumer(number: int, *faults: Fault, **more: Any) -> Vehicle:
        return _vehicle("SM", number, trike, seed, faults, more)

    return [*_cell_boards(zirbel), *_other_boards(zirbel), *_trikes(saumer)]


def _vehicle(
    letters: str, number: int, profile: Profile, seed: int, faults: tuple[Fault, ...], more: dict[str, Any]
) -> Vehicle:
    known: dict[str, Any] = {
        "name": f"{letters}-{number:04d}",
        "profile": profile,
        "seed": seed * 10_000 + number,
        "faults": faults,
        "serial": number,
        "pack_serial": 700_000 + 13 * number,
        "controller_serial": 300_000 + 7 * number,
        "odometer_km": 40.0 + (number * 37) % 900,
    }
    return Vehicle(**(known | more))


FIRST = {"batch": "2025-11 A", "built": "2025-11-12", "in_service": "2026-01-15"}
SECOND = {"batch": "2025-12 B", "built": "2025-12-09", "in_service": "2026-02-02"}
TRIKES = {"batch": "2026-01 T", "built": "2026-01-20", "in_service": "2026-02-16"}


def _cell_boards(zirbel: Callable[..., Vehicle]) -> list[Unit]:
    """Boards whose groups are the story, and a sound one."""
    return [
        Unit(
            zirbel(101),
            (
                LogPlan("ZB-0101_2026-03-02_ride.log.gz", (ride("2026-03-02", "07:10", 4.0, 88.0),), sidecar=FIRST),
                LogPlan(
                    "ZB-0101_2026-03-02_dock.blf",
                    (charge("2026-03-02", "16:00", 5.0), rest("2026-03-02", "17:50")),
                    DOCK,
                ),
                LogPlan("ZB-0101_2026-03-12_dock.blf", (charge("2026-03-12", "16:00", 6.0),), DOCK),
                LogPlan("ZB-0101_2026-03-23_ride.blf", (ride("2026-03-23", "07:05", 3.0, 91.0, 9.0),)),
            ),
        ),
        Unit(
            zirbel(102, Fault("imbalance", 7.0, START, 5)),
            (
                LogPlan(
                    "ZB-0102_2026-03-03_dock.blf",
                    (charge("2026-03-03", "15:30", 8.0), rest("2026-03-03", "17:20")),
                    DOCK,
                    sidecar=FIRST,
                ),
                LogPlan("ZB-0102_2026-03-09_dock.log.gz", (charge("2026-03-09", "15:40", 7.0),), DOCK),
                LogPlan("ZB-0102_2026-03-10_ride.log.gz", (ride("2026-03-10", "09:00", 3.0, 60.0),)),
                LogPlan("ZB-0102_2026-03-14_dock.log", (charge("2026-03-14", "15:10", 8.0),), DOCK),
            ),
        ),
        Unit(
            zirbel(103, Fault("weak_group", 2.2, START, 8)),
            (
                LogPlan("ZB-0103_2026-03-04_ride.blf", (ride("2026-03-04", "08:20", 3.0, 72.0, 12.0),), sidecar=SECOND),
                LogPlan("ZB-0103_2026-03-04_dock.mf4", (charge("2026-03-04", "16:10", 6.0),), DOCK),
                LogPlan("ZB-0103_2026-03-15_dock.blf", (charge("2026-03-15", "16:20", 7.0),), DOCK),
                LogPlan("ZB-0103_2026-03-18_ride.log.gz", (ride("2026-03-18", "08:15", 3.0, 66.0, 15.0),)),
            ),
        ),
        Unit(
            zirbel(108, Fault("leaking_group", 6.0, at("2026-03-02"), 2)),
            (
                LogPlan("ZB-0108_2026-03-02_dock.blf", (charge("2026-03-02", "15:00", 12.0),), DOCK, sidecar=SECOND),
                LogPlan("ZB-0108_2026-03-06_dock.blf", (charge("2026-03-06", "15:10", 12.0),), DOCK),
                LogPlan("ZB-0108_2026-03-10_dock.log.gz", (charge("2026-03-10", "15:05", 13.0),), DOCK),
                LogPlan("ZB-0108_2026-03-12_ride.log.gz", (ride("2026-03-12", "09:20", 2.5, 70.0),)),
                LogPlan("ZB-0108_2026-03-14_dock.mf4", (charge("2026-03-14", "15:00", 12.0),), DOCK),
                LogPlan("ZB-0108_2026-03-18_dock.blf", (charge("2026-03-18", "15:20", 14.0),), DOCK),
                LogPlan(
                    "ZB-0108_2026-03-22_dock.mf4",
                    (charge("2026-03-22", "15:10", 13.0), rest("2026-03-22", "17:00")),
                    DOCK,
                ),
            ),
        ),
    ]


def _other_boards(zirbel: Callable[..., Vehicle]) -> list[Unit]:
    """Heat and brakes; sound ones in hard conditions."""
    return [
        Unit(
            zirbel(104, Fault("hot_for_load", 24.0, START, 3)),
            (
                LogPlan("ZB-0104_2026-03-05_dock.mf4", (charge("2026-03-05", "15:30", 6.0),), DOCK, sidecar=SECOND),
                LogPlan("ZB-0104_2026-03-09_dock.blf", (charge("2026-03-09", "15:00", 7.0),), DOCK),
                LogPlan("ZB-0104_2026-03-11_ride.mf4", (ride("2026-03-11", "10:00", 3.0, 80.0),)),
                LogPlan("ZB-0104_2026-03-12_dock.blf", (charge("2026-03-12", "15:20", 6.0),), DOCK),
                LogPlan("ZB-0104_2026-03-16_dock.mf4", (charge("2026-03-16", "15:00", 7.0),), DOCK),
                LogPlan("ZB-0104_2026-03-17_ride.blf", (ride("2026-03-17", "10:05", 4.5, 90.0, 16.0),)),
            ),
        ),
        Unit(
            zirbel(105, Fault("regen_dropout", 0.5, at("2026-03-12"))),
            (
                LogPlan("ZB-0105_2026-03-06_ride.log.gz", (ride("2026-03-06", "11:00", 2.0, 70.0),), sidecar=FIRST),
                LogPlan("ZB-0105_2026-03-13_dock.mf4", (charge("2026-03-13", "16:00", 5.0),), DOCK),
                LogPlan("ZB-0105_2026-03-19_dock.mf4", (charge("2026-03-19", "15:50", 6.0),), DOCK),
                LogPlan("ZB-0105_2026-03-20_ride.blf", (ride("2026-03-20", "11:10", 5.0, 64.0),)),
            ),
        ),
        Unit(
            zirbel(106, harmless=("full_pack",)),
            (
                LogPlan(
                    "ZB-0106_2026-03-09_dock.log.gz",
                    (charge("2026-03-09", "04:50", 40.0, minutes=75.0),),
                    DOCK,
                    sidecar=FIRST,
                ),
                LogPlan("ZB-0106_2026-03-09_ride.log.gz", (ride("2026-03-09", "06:10", 4.0, None, 13.0, "down"),)),
            ),
        ),
        Unit(
            zirbel(107),
            (
                LogPlan(
                    "dock3_0007.asc.gz",
                    (ride("2026-03-11", "07:30", 3.0, 77.0),),
                    relative=True,
                    sidecar={"vehicle": "ZB-0107", "start": "2026-03-11T07:30:00Z"} | SECOND,
                ),
                LogPlan("ZB-0107_2026-03-17_dock.mf4", (charge("2026-03-17", "15:40", 6.0),), DOCK),
                LogPlan("ZB-0107_2026-03-24_dock.mf4", (charge("2026-03-24", "15:45", 5.0),), DOCK),
                LogPlan("ZB-0107_2026-03-25_ride.blf", (ride("2026-03-25", "07:40", 3.0, 83.0),), keep=0.55),
            ),
        ),
        Unit(
            zirbel(109, harmless=("cold_pack",)),
            (LogPlan("ZB-0109_2026-02-10_ride.blf", (ride("2026-02-10", "05:50", 3.0, 78.0, -5.0),), sidecar=FIRST),),
        ),
    ]


def _trikes(saumer: Callable[..., Vehicle]) -> list[Unit]:
    """The other vehicle: two sound, three not."""
    release = Fault("torque_after_release", 1400.0, START)
    return [
        Unit(
            saumer(201),
            (
                LogPlan("SM-0201_2026-03-02_ride.mf4", (ride("2026-03-02", "08:30", 4.0, 85.0),), sidecar=TRIKES),
                LogPlan("SM-0201_2026-03-02_dock.blf", (charge("2026-03-02", "16:30", 6.0),), DOCK),
            ),
        ),
        Unit(
            saumer(202, Fault("regen_refused_unexplained", 0.7, START)),
            (LogPlan("SM-0202_2026-03-05_ride.blf", (ride("2026-03-05", "08:00", 6.0, 62.0),), sidecar=TRIKES),),
        ),
        Unit(
            saumer(203, Fault("loose_sense_wire", 70.0, START, 6)),
            (
                LogPlan("SM-0203_2026-03-06_ride.log.gz", (ride("2026-03-06", "08:40", 3.0, 58.0),), sidecar=TRIKES),
                LogPlan("SM-0203_2026-03-06_dock.blf", (charge("2026-03-06", "16:00", 6.0),), DOCK),
                LogPlan("SM-0203_2026-03-13_ride.blf", (ride("2026-03-13", "08:45", 2.0, 66.0),)),
            ),
        ),
        Unit(
            saumer(204, harmless=("heavy_use",), load_kg=70.0, rider=1.0),
            (LogPlan("SM-0204_2026-03-07_ride.blf", (ride("2026-03-07", "09:00", 4.0, 82.0, 24.0),), sidecar=TRIKES),),
        ),
        Unit(
            saumer(205, release),
            (LogPlan("depot_upload_81.mf4", (ride("2026-03-08", "10:00", 3.5, 71.0),), sidecar=TRIKES),),
        ),
    ]
