"""A batch of vehicles of one profile between and during sessions: state, and what their sensors get wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.simulator.faults import Active, leaked_ah
from demo_logs.simulator.motors import Motors, new_motors
from demo_logs.simulator.pack import Pack, new_pack
from demo_logs.simulator.spec import Maker, Vehicle, maker
from demo_logs.simulator.trace import Trace

Floats = NDArray[np.float64]
MONITOR_MAX_V = 5.0  # top of a usual group monitor (engineering choice)
SLOW_STEPS = 4  # temperatures and fault bits are looked at every so many steps


@dataclass(slots=True)
class Batch:
    """Vehicles that run their sessions in step. rngs: one a vehicle, so that a vehicle does not depend on its batch.

    gain, offset_a: of the pack's current sensor. tap_v: of each group's voltage input. probe_k: of each cell
    sensor. wheel: speed sensor's scale. frozen_c: value a frozen cell sensor keeps.
    """

    maker: Maker
    vehicles: list[Vehicle]
    rngs: list[np.random.Generator]
    pack: Pack
    motors: Motors
    gain: Floats
    offset_a: Floats
    tap_v: Floats
    probe_k: Floats
    wheel: Floats
    frozen_c: Floats
    odometer_km: Floats
    boots: NDArray[np.int64]
    clock_us: NDArray[np.int64]
    uptime_s: Floats
    active: Active
    slow: tuple[Floats, Floats] = (np.zeros(0), np.zeros(0))

    def begin(self, start_us: NDArray[np.int64], air_c: Floats, used_ah: Floats, boot: bool) -> None:
        """Let the time since the last session pass, then bring the faults of this moment in."""
        hours = np.where(self.clock_us > 0, np.maximum(0.0, (start_us - self.clock_us) / 3.6e9), 12.0)
        self.pack.air_c = air_c
        leaked = [
            leaked_ah(v.faults, self.maker.groups, int(before) or int(now), int(now))
            for v, before, now in zip(self.vehicles, self.clock_us, start_us, strict=True)
        ]
        self.pack.idle(hours, used_ah, np.stack(leaked))
        self.motors.cool(air_c, hours)
        self.active = Active(tuple(v.faults for v in self.vehicles), tuple(int(t) for t in start_us))
        self.pack.prepare(self.active, air_c)
        self.pack.settle(charging=not boot)
        self.clock_us = start_us.copy()
        if boot:
            self.boots = self.boots + 1
            self.uptime_s = np.array([rng.uniform(2.0, 9.0) for rng in self.rngs])

    def record_pack(
        self, trace: Trace, step: int, current_a: Floats, switch: Floats | float, state: Floats | float
    ) -> None:
        """What the BMS measures and says, sensor errors included."""
        pack, active = self.pack, self.active
        groups = tuple(range(1, self.maker.groups + 1))
        seen = current_a * self.gain + self.offset_a + active.scalar("current_offset")
        put = trace.put
        gain = 1.0 + active.scalar("pack_voltage_gain") / 100.0
        put(step, "pack_voltage", (pack.volts.sum(axis=1) - current_a * pack.joint_ohm) * gain)
        put(step, "pack_current", seen)
        put(step, "pack_soc", np.clip(pack.bms_soc, 0.0, 100.0))
        put(step, "charge_limit", pack.charge_limit)
        put(step, "discharge_limit", pack.discharge_limit)
        put(step, "contactor_state", switch)
        put(step, "bms_state", state)
        if step % SLOW_STEPS == 0:
            self.slow = (self._probes(), self._pack_faults())
        put(step, "bms_fault", self.slow[1])
        put(step, "cell_voltage", self._taps())
        put(step, "cell_temp", self.slow[0])
        put(step, "cell_bleed", pack.bleed)
        put(step, "bms_temp", pack.board_c)
        put(step, "ambient_temp", pack.air_c)
        if step == 0:
            still = active.size("temp_frozen", tuple(range(1, self.maker.sensors + 1)))
            trace.data["_still"] = still[None].astype(np.float32)
            trace.data["_loose_mv"] = active.size("loose_sense_wire", groups)[None].astype(np.float32)

    def _taps(self) -> Floats:
        """Group voltages as read. A monitor without a self-test reads nothing over an open tap, and the next
        group up to the end of its range."""
        read = self.pack.volts + self.tap_v
        gone = self.active.size("open_sense_wire", tuple(range(1, self.maker.groups + 1)))
        if gone.any():
            both = np.minimum(read[:, :-1] + read[:, 1:], MONITOR_MAX_V)
            read[:, 1:] = np.where(gone[:, :-1] > 0, both, read[:, 1:])
            read = np.where(gone > 0, 0.0, read)
        return read

    def _probes(self) -> Floats:
        """Cell sensors as read; NaN is the no-value code."""
        temp = self.pack.cells.temp_c
        read = np.stack([temp[:, members].mean(axis=1) for members in self.pack.sensors], axis=1) + self.probe_k
        items = tuple(range(1, self.maker.sensors + 1))
        size = self.active.size
        read = read + size("temp_offset", items)
        read = np.where(size("temp_frozen", items) > 0, self.frozen_c, read)
        read = np.where(size("temp_short", items) > 0, 160.0, read)
        return np.where(size("temp_open", items) > 0, np.nan, read)

    def _pack_faults(self) -> Floats:
        volts, temp = self.pack.volts, self.pack.cells.temp_c
        items = tuple(range(1, self.maker.sensors + 1))
        broken = (self.active.size("temp_open", items) + self.active.size("temp_short", items)).max(axis=1) > 0
        bits = 1.0 * (volts.max(axis=1) > 3.70) + 2.0 * (volts.min(axis=1) < 2.45)
        return np.asarray(bits + 4.0 * (temp.max(axis=1) > 60.0) + 16.0 * broken)

    def record_identity(self, trace: Trace) -> None:
        """Constants of the session."""
        for role in ("serial", "pack_serial", "controller_serial", "pack_firmware", "controller_firmware"):
            name = "vehicle_serial" if role == "serial" else role
            row = np.array([[float(getattr(v, role))] for v in self.vehicles])
            trace.data[name] = np.broadcast_to(row, (len(trace.t_s), *row.shape))
        for name in ("pack_hardware", "controller_hardware"):
            trace.data[name] = np.full((len(trace.t_s), len(self.vehicles), 1), 2.0)
        boots = self.boots.astype(float).reshape(1, -1, 1)
        trace.data["_boots"] = np.broadcast_to(boots, (len(trace.t_s), len(self.vehicles), 1))


def new_batch(vehicles: list[Vehicle]) -> Batch:
    """A batch of new vehicles; they must share one profile. Raises: ValueError when they do not."""
    if len({v.profile.name for v in vehicles}) != 1:
        raise ValueError("vehicles of one batch must share one profile")
    figures = maker(vehicles[0].profile)
    rngs = [np.random.default_rng([v.seed, v.serial]) for v in vehicles]
    packs, motors = [], []
    for vehicle, rng in zip(vehicles, rngs, strict=True):
        packs.append(new_pack(figures, [vehicle], rng))
        motors.append(new_motors(figures, [vehicle], rng))

    def draw(sd: float, items: int) -> Floats:
        return np.stack([rng.normal(0.0, sd, items) for rng in rngs])

    count = len(vehicles)
    probe = draw(0.35, figures.sensors)
    return Batch(
        figures,
        vehicles,
        rngs,
        _stack_packs(packs),
        _stack_motors(motors),
        1.0 + draw(0.003, 1)[:, 0],
        draw(0.04, 1)[:, 0],
        draw(0.0008, figures.groups),
        probe,
        1.0 + draw(0.006, 1)[:, 0],
        18.0 + draw(4.0, figures.sensors),
        np.array([v.odometer_km for v in vehicles]),
        np.array([v.boot_count for v in vehicles]),
        np.zeros(count, np.int64),
        np.zeros(count),
        Active(tuple(() for _ in vehicles), (0,) * count),
    )


def _stack_packs(packs: list[Pack]) -> Pack:
    first = packs[0]
    for name in Pack.__slots__:
        values = [getattr(p, name) for p in packs]
        if name in ("cells", "base"):
            for slot in type(first.cells).__slots__:
                inner = [getattr(v, slot) for v in values]
                if isinstance(inner[0], np.ndarray):
                    setattr(values[0], slot, np.concatenate(inner))
        elif isinstance(values[0], np.ndarray):
            setattr(first, name, np.concatenate(values))
    return first


def _stack_motors(motors: list[Motors]) -> Motors:
    first = motors[0]
    for name in Motors.__slots__:
        values = [getattr(m, name) for m in motors]
        if isinstance(values[0], np.ndarray):
            setattr(first, name, np.concatenate(values))
    return first
