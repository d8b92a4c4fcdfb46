"""The controller on a ride: the command as received, drive torque, the electric brake with its limiters, and what of it
goes wrong. (vehicles,) or (vehicles, 2)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.faults import Now
from demo_logs.makers.physics.firmware import Controller
from demo_logs.makers.physics.rows import Flags, Floats, between
from demo_logs.makers.state import World
from demo_logs.makers.strikes import Strikes

DT_S = 0.1
DERATE_EVERY = 5
LINE = 32  # steps that a late brake can be late
SPIKE_V = 0.22  # of the link voltage: what a brake leaps to whose current has no place to go (engineering choice)
IDLE, ACTIVE, LIMITED, REFUSED, FAULT = range(5)


class Brake:
    """Drive and brake of a batch. lever, throttle, trigger: as received."""

    def __init__(self, controller: Controller, now: Now, strikes: Strikes, count: int) -> None:
        self.c, self.strikes = controller, strikes
        plain = now.plain
        self.refused, self.weak = plain("regen_refused_unexplained"), plain("regen_weak")
        self.late = np.minimum((plain("regen_late") / 1000.0 / DT_S).astype(int), LINE - 2)
        self.one_sided, self.lets_go = now.items("regen_one_sided", 2), plain("regen_dropout")
        self.rise, self.runs_on_ms = plain("regen_overvoltage") / 100.0, plain("torque_after_release")
        zero = np.zeros(count)
        self.lever, self.throttle, self.age_ms, self.quality = zero.copy(), zero.copy(), zero + 20.0, zero + 99.0
        self.trigger = zero > 1.0
        self.released_ms = zero + 1e9
        self.kept = np.zeros((count, 2))
        self.smooth = zero.copy()
        self.line = np.zeros((LINE, count, 2))
        self.strike = zero > 1.0
        self.drop_in, self.drop_left, self.spike = zero - 1.0, zero.copy(), zero.copy()
        self.wanted, self.room, self.state, self.derate = zero.copy(), zero.copy(), zero.copy(), zero + 1.0
        self.was_cut = zero > 1.0
        self.back_s = zero - 1.0
        self.rows = np.arange(count)

    def full_n(self, world: World) -> Floats:
        """Force of the full brake at the road [N]."""
        return np.asarray(world.motors.constant.sum(axis=1) * self.c.brake_a * world.road.turns)

    def receive(self, k: int, throttle: Floats, lever: Floats, trigger: Flags) -> None:
        lost = self.strikes.link(k)
        self.age_ms = np.where(lost, self.age_ms + DT_S * 1000.0, 10.0 + 25.0 * self.strikes.luck[k])
        gone = self.age_ms > self.c.timeout_ms - 60.0
        before, was = self.lever > 0, self.trigger
        self.lever = np.where(gone, 0.0, np.where(lost, self.lever, lever))
        self.throttle = np.where(gone, 0.0, np.where(lost, self.throttle, throttle))
        self.trigger = np.where(gone, False, np.where(lost, self.trigger, trigger))
        released = was & ~self.trigger
        self.released_ms = np.where(released, 0.0, self.released_ms + DT_S * 1000.0)
        self.quality = self.quality + (np.where(lost, 15.0, 98.0) - self.quality) * DT_S / 0.6
        begins = (self.lever > 0) & ~before
        luck = self.strikes.luck[k]
        self.strike = np.where(begins, luck < self.refused, self.strike)
        hit = begins & (luck < self.lets_go)
        self.drop_in = np.where(hit, 0.4 + luck, np.where(self.lever > 0, self.drop_in - DT_S, -1.0))

    def act(self, k: int, world: World, omega: Floats, speed: Floats, volts: Floats, cut: Flags) -> None:
        """Decide torque currents and let them follow."""
        c, motors = self.c, world.motors
        heat = world.drive_heat
        if k % DERATE_EVERY == 0:
            hottest = np.where(c.two, heat.winding_c.max(axis=1), heat.winding_c[:, 0])
            stage = np.where(c.two, heat.stage_c.max(axis=1), heat.stage_c[:, 0])
            self.derate = c.derate(hottest, stage)
        drive = self._drive(world, omega, speed, volts)
        released = (self.released_ms <= DT_S * 1000.0 * 0.5)[:, None]
        self.kept = np.where(released, np.maximum(motors.iq, 0.15 * c.max_a[:, None]), self.kept)
        runs_on = (self.released_ms < self.runs_on_ms) & ~self.trigger
        drive = np.where(runs_on[:, None], self.kept, drive)
        brake = self._brake(k, world, omega, speed, volts)
        command = np.where(self.lever[:, None] > 0, brake, drive)
        dead = (self.strikes.reset(k) | cut)[:, None] | self.strikes.blind(k)
        command = np.where(dead, 0.0, command)
        change = (command - motors.iq) * (1.0 - np.exp(-DT_S / c.lag_s))[:, None]
        most = np.where(command > motors.iq, c.ramp_a_s[:, None], 1e9) * DT_S
        feeding = motors.iq.min(axis=1) < -2.0
        leap = (cut & ~self.was_cut & feeding) | ((self.drop_in > 0) & (self.drop_in <= DT_S) & feeding)
        self.spike = np.where(leap, SPIKE_V * volts, self.spike * np.exp(-DT_S / 0.08))
        falls = (self.drop_in > 0) & (self.drop_in <= DT_S)
        self.drop_left = np.where(falls, 1.2, np.where(self.lever > 0, self.drop_left - DT_S, 0.0))
        self.was_cut = cut
        off = dead | (self.drop_left > 0)[:, None] | (motors.constant <= 0)
        motors.iq = np.where(off, 0.0, motors.iq + np.minimum(change, most))
        self.back_s = np.where(self.strikes.reset(k), 0.0, np.where(self.back_s >= 0, self.back_s + DT_S, -1.0))

    def _drive(self, world: World, omega: Floats, speed: Floats, volts: Floats) -> Floats:
        c, motors = self.c, world.motors
        top = world.road.top_ms
        share = (self.throttle / 100.0) ** c.map_power * self.trigger
        ease = np.minimum(self.derate, between((1.08 * top - speed) / (0.1 * top), 0.0, 1.0))
        iq = (share * c.max_a * ease)[:, None]
        need = (motors.constant * iq * np.maximum(omega, 0.0)).sum(axis=1) * 1.15
        room = 0.95 * world.monitor.discharge_limit * volts / np.maximum(need, 1.0)
        iq = iq * np.minimum(1.0, room)[:, None]
        coasting = (self.throttle <= 0) & (speed > 1.5) & (c.coast_brake > 0)
        own = np.where(coasting, c.coast_brake * c.brake_a, 0.0)
        return np.asarray(iq - own[:, None])

    def _brake(self, k: int, world: World, omega: Floats, speed: Floats, volts: Floats) -> Floats:
        c, motors = self.c, world.motors
        winding = world.drive_heat.winding_c
        blend = 1.0 - np.exp(-DT_S / c.brake_lag_s)
        target = self.lever / 100.0 * c.brake_a
        self.smooth = np.where(self.lever > 0, self.smooth + (target - self.smooth) * blend, 0.0)
        wish = self.smooth[:, None]
        feed = motors.fed_by(wish, omega, winding) / volts
        self.wanted = np.where(self.lever > 0, motors.fed_by(target[:, None], omega, winding) / volts, 0.0)
        room = c.brake_room(world.monitor.charge_limit, world.monitor.soc_pct, speed) * np.maximum(self.derate, 0.2)
        self.room = np.where(self.strike & (self.lever > 0), 0.0, room)
        count = 1.0 + c.two
        watts = (self.room * volts / count)[:, None]
        capped = motors.current_to_feed(watts, omega, winding)
        iq = np.where((feed > self.room)[:, None], np.minimum(capped, wish), wish)
        iq = np.where((self.room < 0.01 * c.regen_max)[:, None], 0.0, iq) * c.brake_share[:, None]
        iq = iq * (1.0 - self.weak)[:, None] * (1.0 - self.one_sided)
        share = np.minimum(1.0, self.room / np.maximum(self.wanted, 1e-6))
        state = np.where(share < 0.97, np.where(share < 0.05, REFUSED, LIMITED), ACTIVE)
        state = np.where(self.drop_left > 0, FAULT, state)
        self.state = np.where((self.lever > 0) & (self.wanted > 0.3), state, IDLE)
        slot = k % LINE
        self.line[slot] = np.where(self.lever[:, None] > 0, -iq, 0.0)
        return np.asarray(self.line[(slot - self.late) % LINE, self.rows])

    def write(
        self,
        k: int,
        fast: dict[str, NDArray[np.float32]],
        pairs: dict[str, NDArray[np.float32]],
        link: Floats,
        watts: Floats,
        uptime: Floats,
    ) -> None:
        given = np.where((self.lever > 0) | (watts < -5.0), np.maximum(0.0, -watts) / link, 0.0)
        high = link * (1.0 + self.rise * np.minimum(1.2, given / self.c.regen_max)) + self.spike
        trips = (high > self.c.link_max) | (self.drop_left > 1.0)
        lost = self.strikes.blind(k)
        pairs["dc_link_voltage"][k] = high[:, None]
        pairs["motor_fault"][k] = 1.0 * lost + 4.0 * trips[:, None]
        rows = (
            ("throttle", self.throttle),
            ("brake_demand", self.lever),
            ("trigger", self.trigger),
            ("packet_age", np.minimum(self.age_ms, 4000.0)),
            ("link_quality", self.quality),
            ("regen_demand", self.wanted),
            ("regen_current", given),
            ("regen_allowed", self.room),
            ("regen_state", self.state),
            ("derate", 100.0 * self.derate),
            ("silent", self.strikes.reset(k)),
            ("controller_uptime", np.where(self.back_s >= 0, self.back_s, uptime)),
            ("controller_fault", 2.0 * ((self.back_s >= 0) & (self.back_s < 4.0)) + 4.0 * (self.age_ms > 1000.0)),
        )
        for name, value in rows:
            fast[name][k, :, 0] = value
