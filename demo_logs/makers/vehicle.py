"""One vehicle of a design as drawn: what is wrong with it, how it is used, and how it differs from its siblings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.bus import Bus
from demo_logs.makers.design import Design
from demo_logs.makers.faults import KINDS, Fault, visible
from demo_logs.makers.habits import DAY, T0, Event, Habits, calendar, draw_habits

Floats = NDArray[np.float64]
FLEETS = (2, 3, 4, 7)  # vehicles of one design; their mean is four


@dataclass(frozen=True, slots=True)
class Individual:
    """Deviations from the design. r, slow_r, ah: factors (groups,). offset: charge (groups,) against their mean. leak:
    factor (groups,). tap_v (groups,), probe_k (sensors,): reading errors. frozen_c: what a frozen sensor shows."""

    r: Floats
    slow_r: Floats
    ah: Floats
    offset: Floats
    leak: Floats
    tap_v: Floats
    probe_k: Floats
    frozen_c: Floats
    gain: float
    zero_a: float
    volt_gain: float
    wheel: float
    constant: Floats  # (2,)
    winding: Floats  # (2,)
    bms_ah: float  # what the BMS takes its capacity for, of the true one
    start_pct: float
    odometer_km: float
    serial: int


@dataclass(frozen=True, slots=True)
class Vehicle:
    name: str
    number: int
    design: Design
    bus: Bus
    habits: Habits
    faults: tuple[Fault, ...]
    one: Individual
    events: tuple[Event, ...]
    seed: tuple[int, ...]

    @property
    def sound(self) -> bool:
        return not self.faults

    def rng(self, purpose: int, *more: int) -> np.random.Generator:
        return np.random.default_rng([*self.seed, purpose, *more])


def draw_individual(rng: np.random.Generator, design: Design, serial: int) -> Individual:
    """A sound vehicle between new and well used: capacity 0.86 to 1, resistance up to half as much again."""
    groups, sensors, s = design.pack.groups, design.pack.sensors, design.sensors
    used = float(rng.uniform(0.0, 1.0))
    spread = float(rng.uniform(0.02, 0.06))
    return Individual(
        r=(1.0 + 0.5 * used) * np.exp(rng.normal(0.0, spread, groups)),
        slow_r=(1.0 + 0.3 * used) * np.exp(rng.normal(0.0, 0.06, groups)),
        ah=(1.0 - 0.13 * used) * np.exp(rng.normal(0.0, 0.003 + 0.007 * used, groups)),
        offset=rng.normal(0.0, float(rng.uniform(0.001, 0.006)), groups),
        leak=np.exp(rng.normal(0.0, 0.3, groups)),
        tap_v=rng.normal(0.0, s.spread_tap_v, groups),
        probe_k=np.clip(rng.normal(0.0, s.spread_temp_k, sensors), -3.0, 3.0),
        frozen_c=rng.normal(20.0, 5.0, sensors),
        gain=1.0 + float(rng.normal(0.0, s.spread_gain)),
        zero_a=float(rng.normal(0.0, s.spread_zero_a)),
        volt_gain=1.0 + float(rng.normal(0.0, 0.003)),
        wheel=1.0 + float(rng.normal(0.0, 0.01)),
        constant=1.0 + rng.normal(0.0, 0.01, 2),
        winding=1.0 + rng.normal(0.0, 0.02, 2),
        bms_ah=1.0 + float(rng.normal(0.0, 0.02)),
        start_pct=float(rng.uniform(55.0, 95.0)),
        odometer_km=float(rng.uniform(5.0, 4000.0)),
        serial=serial,
    )


def draw_fleet(seed: int, design: Design, bus: Bus, weeks: float, first: int) -> list[Vehicle]:
    """All vehicles of a design: every second one is faulty, every fourth faulty one with two faults. first: number of
    the first vehicle, which also says whose turn it is among the kinds of fault."""
    rng = np.random.default_rng([seed, design.index, 2])
    count = FLEETS[int(rng.integers(len(FLEETS)))]
    periods = bus.periods_ms()
    kinds = [k for k in KINDS if visible(k, design, periods)]
    out = []
    for k in range(count):
        own = np.random.default_rng([seed, design.index, 3, k])
        habits = draw_habits(own, design)
        faults = _faults(own, design, kinds, first + k, weeks) if (first + k) % 2 else ()
        parked = next((f.onset for f in faults if f.name == "parked_empty"), 0)
        individual = draw_individual(own, design, k + 1)
        events = tuple(calendar(own, design, habits, weeks, parked))
        name = f"{design.name.upper()}-{k + 1:04d}"
        key = (seed, design.index, 4, k)
        out.append(Vehicle(name, first + k, design, bus, habits, faults, individual, events, key))
    return out


def _faults(rng: np.random.Generator, design: Design, kinds: list[str], number: int, weeks: float) -> tuple[Fault, ...]:
    """One fault, or two of different kinds. Kinds take turns, those this bus cannot show are skipped."""
    names = list(KINDS)
    turn = number // 2
    name = next(n for n in (names[(turn * 7 + i) % len(names)] for i in range(len(names))) if n in kinds)
    wanted = [name]
    if turn % 4 == 3:
        wanted.append(str(rng.choice([k for k in kinds if k not in (name, "parked_empty")])))
    return tuple(_fault(rng, design, name, weeks) for name in wanted)


def _fault(rng: np.random.Generator, design: Design, name: str, weeks: float) -> Fault:
    kind = KINDS[name]
    items: list[int | str] = [""]
    if kind.of == "cell":
        last = design.pack.groups - ("sense_wire" in name)  # the top tap has no group above it to see-saw with
        items = list(range(1, last + 1))
    elif kind.of == "sensor":
        items = list(range(1, design.pack.sensors + 1))
    elif kind.of == "side":
        items = [*("left", "right")[: design.drive.motors]]
    item = items[int(rng.integers(len(items)))]
    size = float(kind.sizes[int(rng.integers(len(kind.sizes)))])
    middle = rng.random() < 0.5 or name == "parked_empty"
    onset = T0 + int(weeks * 7 * DAY * rng.uniform(0.2, 0.6)) if middle else T0 - int(rng.uniform(1, 30) * DAY)
    grow = 7.0 if kind.grows and middle and rng.random() < 0.4 else 0.0
    return Fault(name, size, onset, item, grow)
