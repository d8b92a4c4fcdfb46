"""One ride of some vehicles in step: rider, link, controller, motors, pack, road. The loop runs over time only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.braking import Brake
from demo_logs.makers.effects import heater_w, joint_ohm, probes, settle, span, without_value
from demo_logs.makers.faults import Now
from demo_logs.makers.physics.pack import current_for
from demo_logs.makers.physics.road import drag_n, moved
from demo_logs.makers.physics.rows import Flags, Floats, between
from demo_logs.makers.rider import BIN_M, BRAKE, COAST, DRIVE, STOP, Wish
from demo_logs.makers.state import GROUPS, World, real_max, real_min
from demo_logs.makers.strikes import Strikes
from demo_logs.makers.trace import Trace

DT_S, PACK_EVERY, SLOW_EVERY = 0.1, 3, 9
WIRE_OHM = 0.003
FAST = (  # tracks of one value a vehicle and step
    *("pack_voltage", "pack_current", "vehicle_speed", "throttle", "brake_demand", "trigger", "packet_age"),
    *("link_quality", "regen_demand", "regen_current", "regen_allowed", "regen_state", "derate", "silent"),
    *("controller_fault", "contactor_state", "bms_state", "true_current"),
)
OPENS_C, OPEN_S = 0.15, 4.0  # a bad main switch gives way above this current, for so long (engineering choice)


@dataclass(slots=True)
class Batch:
    """Vehicles on one ride: constants drawn or fixed when it begins. used: which sensors are there."""

    now: Now
    wish: Wish
    strikes: Strikes
    load_kg: Floats
    wind_ms: Floats
    wheel: Floats
    error_k: Floats
    frozen_c: Floats
    used: Flags
    lets_go: Flags  # the trigger is let go for braking
    noise: Floats  # (steps, vehicles): the rider's hand
    last: NDArray[np.int64]  # step at which each vehicle's session ends


class Ride:
    """State of a ride in the making; step(k) advances it, trace holds it."""

    def __init__(self, world: World, batch: Batch, trace: Trace, volt_gain: Floats) -> None:
        self.world, self.batch, self.trace = world, batch, trace
        count, steps = len(volt_gain), len(batch.wish.kind)
        now = batch.now
        zero = np.zeros(count)
        self.mass = world.road.mass_kg + batch.load_kg
        self.rolling = world.road.rolling * now.plain("rolling_drag")
        self.speed, self.place, self.hand_n, self.open_s = zero.copy(), zero.copy(), zero.copy(), zero.copy()
        self.current, self.charge = zero.copy(), zero.copy()
        self.uptime = np.full(count, 4.0)
        self.on_hill = zero > 1.0
        self.brake = Brake(world.controller, now, batch.strikes, count)
        self.slip = now.items("belt_slip", 2) / 100.0
        self.offset_a = now.plain("current_offset") * world.monitor.rated_ah
        self.slower = now.plain("soc_count") / 100.0
        self.gain = volt_gain * (1.0 + now.plain("pack_voltage_gain") / 100.0)
        self.joint, self.joint_at = joint_ohm(world, now)
        self.heater = heater_w(world, now)
        self.stuck = now.items("balancer_stuck", GROUPS)
        self.wire_gone = now.items("open_sense_wire", GROUPS).max(axis=1) > 0
        self.full_n = (world.motors.constant.sum(axis=1) * world.controller.max_a) * world.road.turns
        self.moving = np.ones(count, bool)
        self.read = probes(world, now, batch.error_k, batch.frozen_c, batch.used)
        settle(world, self.read, charging=False)
        self._pack(0)
        self._tracks(steps)

    def step(self, k: int) -> None:
        world, wish = self.world, self.batch.wish
        here = np.minimum((self.place / BIN_M).astype(np.intp), wish.grade.shape[1] - 1)
        grade = wish.grade[np.arange(len(here)), here]
        drag = drag_n(
            self.mass, self.rolling, world.road.drag_area, self.speed, grade, self.batch.wind_ms * self.moving
        )
        throttle, lever, trigger = self._rider(k, drag)
        omega = (self.speed * world.road.turns)[:, None] * self.batch.strikes.pair(k)
        cut = self._switch(k)
        self.brake.receive(k, throttle, lever, trigger)
        self.brake.act(k, world, omega, self.speed, self.emf, cut)
        omega = omega * (1.0 + self.slip * between(world.motors.iq / world.controller.max_a[:, None], -1.0, 1.0))
        copper, stage, iron = world.motors.losses(omega, world.drive_heat.winding_c)
        watts = world.motors.power(omega, copper, stage, iron).sum(axis=1)
        self.current = np.where(cut, 0.0, current_for(watts + world.road.aux_w, self.emf, self.ohm + WIRE_OHM))
        self.charge += self.current
        self._move(grade, drag, lever, k)
        self._write(k, watts, omega)
        if (k + 1) % PACK_EVERY == 0:
            step = PACK_EVERY * DT_S
            mean = self.charge / PACK_EVERY
            self.charge = np.zeros_like(mean)
            heat = world.cells.step(mean, self.world.monitor.bleed * world.monitor.bleed_a[:, None], step)
            heat += mean[:, None] ** 2 * self.joint_at + self.heater
            world.cells.temp_c = world.heat.warm(world.cells.temp_c, heat, step)
            world.drive_heat.warm(copper, iron, stage, world.heat.air_c, self.speed, step)
            self._pack((k + 1) // PACK_EVERY, mean, step)

    def _rider(self, k: int, drag: Floats) -> tuple[Floats, Floats, Flags]:
        """Throttle [%], lever [%] and trigger of this step."""
        wish, c = self.batch.wish, self.world.controller
        kind, target = wish.kind[k], wish.speed[k]
        force = self.mass * between(0.8 * (target - self.speed), -2.0, 2.2) + drag
        share = between(force / self.full_n * (1.0 + self.batch.noise[k]), 0.0, 1.0)
        throttle = np.where(kind == DRIVE, 100.0 * share ** (1.0 / c.map_power), 0.0)
        over = self.speed - target
        self.on_hill = (kind == DRIVE) & np.where(self.on_hill, over > -0.3, over > 0.8)
        lever = np.where((kind == BRAKE) & (over > 0.15), wish.lever[k], 0.0)
        lever = np.where(self.on_hill, between(15.0 + 15.0 * over, 12.0, 60.0), lever)
        throttle = np.where(lever > 0, 0.0, throttle)
        held = (kind == DRIVE) | ((kind == BRAKE) & ~self.batch.lets_go)
        return throttle, lever, held & ~(self.on_hill & self.batch.lets_go)

    def _switch(self, k: int) -> Flags:
        """Where the main switch is open: it gives way under load and comes back."""
        loaded = np.abs(self.current) > OPENS_C * self.world.monitor.rated_ah
        self.open_s = np.where(self.batch.strikes.cut(k) & loaded & (self.open_s <= 0), OPEN_S, self.open_s - DT_S)
        return np.asarray(self.open_s > 0)

    def _move(self, grade: Floats, drag: Floats, lever: Floats, k: int) -> None:
        world = self.world
        pull = (world.motors.constant * world.motors.iq).sum(axis=1) * world.road.turns
        pull = np.where(pull > 0, pull * world.road.belt, pull / world.road.belt)
        wanted = lever / 100.0 * self.brake.full_n(world)
        short = np.where(lever > 0, np.maximum(0.0, wanted + np.minimum(pull, 0.0)), 0.0)
        self.hand_n = self.hand_n + (short - self.hand_n) * DT_S / 0.5
        foot = self.batch.wish.kind[k] == STOP
        hand = np.where(foot, self.mass * 2.2, np.where(self.batch.wish.kind[k] == COAST, 0.0, self.hand_n))
        held = foot & (self.speed < 0.3)
        after = np.where(held, 0.0, moved(self.speed, self.mass, pull, drag + hand * (self.speed > 0), DT_S))
        run = 0.5 * (self.speed + after) * DT_S
        self.speed, self.moving = after, after > 0.05
        self.place = self.place + run
        world.odometer_km = world.odometer_km + run / 1000.0
        self.uptime = self.uptime + DT_S

    def _pack(self, n: int, mean: Floats | None = None, step: float = 0.0) -> None:
        """Everything of the pack that changes slowly, every third of a second; limits by what the monitor reads."""
        world, monitor = self.world, self.world.monitor
        emf, ohm = world.cells.emf(), world.cells.ohm()
        self.emf = np.where(world.cells.real, emf, 0.0).sum(axis=1)
        self.ohm = np.where(world.cells.real, ohm, 0.0).sum(axis=1) + self.joint
        self.group_emf, self.group_ohm = emf, ohm
        if mean is None:
            return
        volts = emf - mean[:, None] * ohm
        low, top = real_min(volts, world.cells.real), real_max(volts, world.cells.real)
        cold, hot = span(self.read)
        monitor.limit(low, top, cold, hot, False, step)
        monitor.count(monitor.seen(mean, self.offset_a), low, self.slower, step)
        gone = without_value(self.read, self.batch.used)
        monitor.look(low, top, hot, gone, self.wire_gone)
        live = (n * PACK_EVERY) <= self.batch.last
        facts = self.trace.worst
        facts("low_v", np.where(live, low, np.inf), least=True)
        facts("top_v", np.where(live, top, -np.inf))
        facts("hot_c", np.where(live, real_max(world.cells.temp_c, world.cells.real), -np.inf))
        facts("bits", np.where(live, monitor.bits, 0.0))
        self._write_slow(n)

    def _tracks(self, steps: int) -> None:
        t, slow = self.trace.track, steps // PACK_EVERY + 1
        self.fast = {name: t(name, DT_S, steps) for name in FAST}
        self.fast |= {n: t(n, DT_S, steps, 1, np.float64) for n in ("controller_uptime", "odometer")}
        pairs = ("motor_speed", "motor_current", "dc_link_voltage", "motor_fault")
        self.pairs = {name: t(name, DT_S, steps, 2) for name in pairs}
        step = PACK_EVERY * DT_S
        self.slow = {n: t(n, step, slow) for n in ("pack_soc", "charge_limit", "discharge_limit", "bms_fault")}
        self.slow |= {n: t(n, step, slow, GROUPS) for n in ("cell_emf", "cell_ohm", "cell_bleed")}
        self.slow |= {n: t(n, step, slow, 2) for n in ("motor_temp", "fet_temp")}
        self.slow |= {n: t(n, step, slow) for n in ("bms_temp", "ambient_temp")}
        self.slow["cell_temp"] = t("cell_temp", step, slow, 6)
        self._write_slow(0)

    def _write_slow(self, n: int) -> None:
        world, monitor, slow = self.world, self.world.monitor, self.slow
        if n % (SLOW_EVERY // PACK_EVERY) == 0:
            world.cells.refresh()
            world.heat.follow(world.cells.temp_c, np.zeros(len(self.speed)), SLOW_EVERY * DT_S)
            batch = self.batch
            self.read = probes(world, batch.now, batch.error_k, batch.frozen_c, batch.used)
            monitor.bleed = np.maximum(0.0, self.stuck)
        slow["pack_soc"][n, :, 0] = monitor.soc_pct
        slow["charge_limit"][n, :, 0] = monitor.charge_limit
        slow["discharge_limit"][n, :, 0] = monitor.discharge_limit
        slow["bms_fault"][n, :, 0] = monitor.bits
        slow["cell_emf"][n], slow["cell_ohm"][n], slow["cell_bleed"][n] = self.group_emf, self.group_ohm, monitor.bleed
        slow["motor_temp"][n], slow["fet_temp"][n] = world.drive_heat.winding_c, world.drive_heat.stage_c
        slow["bms_temp"][n, :, 0], slow["ambient_temp"][n, :, 0] = world.heat.board_c, world.heat.air_c
        slow["cell_temp"][n] = self.read

    def _write(self, k: int, watts: Floats, omega: Floats) -> None:
        world, fast, pairs, brake = self.world, self.fast, self.pairs, self.brake
        opened = self.open_s > 0
        volts = self.emf - self.current * self.ohm
        fast["pack_voltage"][k, :, 0] = volts * self.gain
        fast["pack_current"][k, :, 0] = world.monitor.seen(self.current, self.offset_a)
        fast["true_current"][k, :, 0] = self.current
        fast["vehicle_speed"][k, :, 0] = self.speed * self.batch.wheel
        fast["odometer"][k, :, 0] = world.odometer_km
        fast["contactor_state"][k, :, 0] = np.where(opened, 0.0, 2.0)
        fast["bms_state"][k, :, 0] = np.where(opened, 5.0, 2.0)
        brake.write(k, fast, pairs, volts - self.current * WIRE_OHM, watts, self.uptime)
        pairs["motor_speed"][k] = np.where(self.batch.strikes.blind(k), 0.0, omega * 60.0 / (2.0 * np.pi))
        pairs["motor_current"][k] = world.motors.iq
