"""Charging and resting of some vehicles in step. Charges that nobody logs run on a coarser grid, by the same law."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from demo_logs.makers.effects import heater_w, joint_ohm, probes, settle, span, without_value
from demo_logs.makers.faults import Now
from demo_logs.makers.physics.rows import Flags, Floats
from demo_logs.makers.state import GROUPS, World, real_max, real_min
from demo_logs.makers.trace import Trace

CABLE_OHM = 0.008
ABSENT, READY, CURRENT, VOLTAGE, DONE = range(5)
END_HOLD_S = 60.0
PULSE_S, PAUSE_S = 50.0, 10.0
PLAIN = (  # tracks of one value a vehicle
    *("pack_voltage", "pack_current", "pack_soc", "charge_limit", "discharge_limit", "bms_fault", "bms_temp"),
    *("ambient_temp", "contactor_state", "bms_state", "charger_voltage", "charger_current", "charger_state"),
)
TRIPS = 6  # charge stopped by one group so often ends it


@dataclass(slots=True)
class Stand:
    """Constants of a batch. until_pct: reported charge at which the plug is pulled. still_a: what the closed switch
    lets out at rest. group_v: where each charger holds the voltage."""

    now: Now
    seconds: Floats
    until_pct: Floats
    amps: Floats
    group_v: Floats
    end_a: Floats
    tapers: Flags
    pulses: Flags
    still_a: Floats
    closed_at_rest: Flags
    volt_gain: Floats
    error_k: Floats
    frozen_c: Floats
    used: Flags
    rated_ah: Floats


class Standing:
    """State of a charge or a rest; run() fills the trace."""

    def __init__(self, world: World, stand: Stand, trace: Trace, dt: float, steps: int, charging: bool) -> None:
        self.world, self.stand, self.trace, self.dt = world, stand, trace, dt
        self.charging = np.bool_(charging)  # not bool: its ~ is a number
        count, now = len(stand.seconds), stand.now
        self.zero = np.zeros(count)
        self.joint, self.joint_at = joint_ohm(world, now)
        self.heater = heater_w(world, now)
        self.offset_a = now.plain("current_offset") * world.monitor.rated_ah
        self.slower = now.plain("soc_count") / 100.0
        self.stops_at = np.where(now.plain("charger_stops_early") > 0, now.plain("charger_stops_early"), 1e3)
        self.gain = stand.volt_gain * (1.0 + now.plain("pack_voltage_gain") / 100.0)
        self.stuck = now.items("balancer_stuck", GROUPS)
        self.wire_gone = now.items("open_sense_wire", GROUPS).max(axis=1) > 0
        self.groups = world.cells.real.sum(axis=1)
        self.low_s, self.trips = self.zero.copy(), self.zero.copy()
        self.done, self.unplugged, self.tripped = (self.zero > 1.0 for _ in range(3))
        self.anchored = self.zero > 1.0
        self.cold_ah = self.zero.copy()
        self.amps = self.zero.copy()
        self.read = probes(world, now, stand.error_k, stand.frozen_c, stand.used)
        settle(world, self.read, charging)
        self._tracks(steps)

    def run(self, steps: int) -> None:
        for k in range(steps):
            self.step(k)

    def step(self, k: int) -> None:
        world, monitor, dt = self.world, self.world.monitor, self.dt
        live = k * dt < self.stand.seconds
        emf, ohm = world.cells.emf(), world.cells.ohm()
        total = np.where(world.cells.real, emf, 0.0).sum(axis=1)
        through = np.where(world.cells.real, ohm, 0.0).sum(axis=1) + self.joint + CABLE_OHM
        amps = self._charger(k, total, through) if self.charging else self.zero
        amps = np.where(live, amps, 0.0)
        still = np.where(self.stand.closed_at_rest & ~self.charging, self.stand.still_a, 0.0)
        current = still - amps
        volts = np.maximum(emf - current[:, None] * ohm, 0.0)
        low, top = real_min(volts, world.cells.real), real_max(volts, world.cells.real)
        self._full(k, amps, top, live)
        cold, hot = span(self.read)
        monitor.limit(low, top, cold, hot, bool(self.charging), dt)
        seen = monitor.seen(current, self.offset_a)
        monitor.count(np.where(live, seen, 0.0), low, self.slower, dt)
        plugged = ~self.unplugged & self.charging & live
        monitor.balance(volts, plugged, ~plugged & live, self.stuck)
        gone = without_value(self.read, self.stand.used)
        monitor.look(low, top, hot, gone, self.wire_gone)
        self._write(k, volts, current, seen, total + amps * through)
        self._facts(live, low, top, amps)
        bleed = monitor.bleed * monitor.bleed_a[:, None] * live[:, None]
        heat = world.cells.step(np.where(live, current, 0.0), bleed, dt)
        heat += current[:, None] ** 2 * self.joint_at + self.heater * live[:, None]
        part = max(1, int(dt // 10.0))
        for _ in range(part):
            world.cells.temp_c = world.heat.warm(world.cells.temp_c, heat, dt / part)
        world.heat.follow(world.cells.temp_c, (bleed * 3.4).sum(axis=1), dt)
        if k % 4 == 0:
            world.cells.refresh()
            self.read = probes(world, self.stand.now, self.stand.error_k, self.stand.frozen_c, self.stand.used)

    def _charger(self, k: int, total: Floats, through: Floats) -> Floats:
        """Current of the charger by its own law, the BMS's limit and what the pack takes."""
        stand, monitor = self.stand, self.world.monitor
        top = stand.group_v * self.groups
        by_voltage = np.maximum((top - total) / through, 0.0)
        ask = np.full(len(total), 0.0) + stand.amps * min(1.0, k * self.dt / 15.0)
        falling = np.clip((top - total) / (0.09 * top), 0.03, 1.0)
        ask = np.where(stand.tapers, ask * falling, ask)
        pause = stand.pulses & ((k * self.dt) % (PULSE_S + PAUSE_S) >= PULSE_S) & (self.dt < PAUSE_S)
        self.ask = ask
        amps = np.minimum(np.minimum(ask, by_voltage), monitor.charge_limit)
        stopped = self.done | self.unplugged | self.tripped | pause
        return np.where(stopped, 0.0, amps)

    def _full(self, k: int, amps: Floats, top: Floats, live: Flags) -> None:
        """The end of a charge: current low for a minute, one group too high again and again, or the plug pulled."""
        if not self.charging:
            return
        stand, monitor, dt = self.stand, self.world.monitor, self.dt
        over = top > monitor.cell_top
        self.trips = self.trips + (over & ~self.tripped)
        self.tripped = np.where(over, True, np.where(top < monitor.cell_top - 0.08, False, self.tripped))
        settled = (k * dt > 90.0) & live & ~self.tripped
        waits = (amps < stand.end_a) & ~(stand.pulses & (amps <= 0.0)) & (monitor.charge_limit > stand.end_a)
        self.low_s = np.where(waits & settled, self.low_s + dt, 0.0)
        full = ((self.low_s > END_HOLD_S) | (self.trips >= TRIPS)) & ~self.done & ~self.unplugged
        monitor.soc_pct = np.where(full & monitor.anchors, 100.0, monitor.soc_pct)
        self.anchored = self.anchored | full
        early = monitor.soc_pct >= self.stops_at
        self.done = self.done | full | early
        self.unplugged = self.unplugged | (monitor.soc_pct >= stand.until_pct)
        self.amps = amps

    def _tracks(self, steps: int) -> None:
        self.put = {name: self.trace.track(name, self.dt, steps) for name in PLAIN}
        self.put |= {n: self.trace.track(n, self.dt, steps, GROUPS) for n in ("cell_voltage", "cell_bleed")}
        self.put["cell_temp"] = self.trace.track("cell_temp", self.dt, steps, 6)

    def _write(self, k: int, volts: Floats, current: Floats, seen: Floats, charger_v: Floats) -> None:
        world, monitor, put = self.world, self.world.monitor, self.put
        plugged = ~self.unplugged & self.charging
        flows = plugged & ~self.done
        bleeding = monitor.bleed.max(axis=1) > 0
        total = np.where(world.cells.real, volts, 0.0).sum(axis=1) - current * self.joint
        state = np.where(self.amps >= 0.97 * getattr(self, "ask", self.zero), CURRENT, VOLTAGE)
        state = np.where(self.amps < 0.01, READY, state)
        state = np.where(plugged, np.where(self.done, DONE, state), ABSENT)
        closed = np.where(flows | (self.stand.closed_at_rest & ~plugged), 2.0, 0.0)
        rows = (
            ("pack_voltage", total * self.gain),
            ("pack_current", seen),
            ("pack_soc", monitor.soc_pct),
            ("charge_limit", monitor.charge_limit),
            ("discharge_limit", monitor.discharge_limit),
            ("bms_fault", monitor.bits),
            ("bms_temp", world.heat.board_c),
            ("ambient_temp", world.heat.air_c),
            ("contactor_state", closed),
            ("bms_state", np.where(flows, 3.0, np.where(bleeding & plugged, 4.0, 1.0))),
            ("charger_voltage", charger_v),
            ("charger_current", -np.minimum(current, 0.0)),
            ("charger_state", state),
        )
        for name, value in rows:
            put[name][k, :, 0] = value
        put["cell_voltage"][k], put["cell_bleed"][k], put["cell_temp"][k] = volts, monitor.bleed, self.read

    def _facts(self, live: Flags, low: Floats, top: Floats, amps: Floats) -> None:
        cells = self.world.cells
        facts = self.trace.worst
        facts("low_v", np.where(live, low, np.inf), least=True)
        facts("top_v", np.where(live, top, -np.inf))
        facts("hot_c", np.where(live, real_max(cells.temp_c, cells.real), -np.inf))
        facts("bits", np.where(live, self.world.monitor.bits, 0.0))
        cold = live & (real_min(cells.temp_c, cells.real) < 0.0)
        self.cold_ah = self.cold_ah + np.where(cold, amps, 0.0) * self.dt / 3600.0
        self.trace.facts["cold_ah"] = self.cold_ah
        self.trace.facts["ended_full"] = self.anchored.astype(np.float64)
