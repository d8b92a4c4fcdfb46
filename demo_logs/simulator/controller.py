"""The controller: commands as received, torque and regeneration decided, and its faults.

The wanted regeneration current is what the torque for the brake command would feed into the pack at this
speed; the allowed one is the smallest of the maker's ceiling, the pack's charge limit and a fade towards standstill.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from demo_logs.simulator.batch import Batch
from demo_logs.simulator.motors import Motors
from demo_logs.simulator.pack import Pack, ramp
from demo_logs.simulator.spec import Maker
from demo_logs.simulator.timeline import Moments, moments, pair_ratio
from demo_logs.simulator.trace import Trace

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
DELAY_STEPS = 80  # longest brake delay that can be simulated, in steps
PLAIN_FAULTS = (
    "regen_refused_unexplained",
    "regen_weak",
    "regen_late",
    "regen_dropout",
    "regen_overvoltage",
    "torque_after_release",
)
IDLE, ACTIVE, LIMITED, REFUSED, FAULT = range(5)


@dataclass(slots=True)
class Controller:
    """Controllers of a batch on one ride. (vehicles,), (vehicles, 2), or (steps, vehicles) for what is planned."""

    maker: Maker
    motors: Motors
    dt: float
    turns: float  # rad/s of the motor a m/s of the road
    pair: Floats  # (steps, vehicles, 2): speed of each side against the middle (corners)
    happen: Moments
    size: dict[str, Floats]
    draw: Floats  # (steps, vehicles) uniform numbers for faults that strike some brakings
    line: Floats  # brake commands on their way: (DELAY_STEPS, vehicles, 2)
    lever: Floats
    throttle: Floats
    trigger: Flags
    age_ms: Floats
    quality: Floats
    since_release_ms: Floats
    kept_iq: Floats
    refuse: Flags
    drop_in_s: Floats
    drop_left_s: Floats
    spike_v: Floats
    wanted: Floats
    allowed: Floats
    state: Floats
    derate: Floats
    no_pack: Flags  # the main switch is open: no current either way

    @classmethod
    def start(cls, batch: Batch, steps: int, dt: float) -> Controller:
        figures, count = batch.maker, len(batch.vehicles)
        sides: tuple[int | str, ...] = ("left", "right")
        size = {name: batch.active.scalar(name) for name in PLAIN_FAULTS}
        for name in ("regen_one_sided", "belt_slip"):
            size[name] = batch.active.size(name, sides)
        hot = batch.active.size("winding_hot", sides)
        batch.motors.cooling, batch.motors.ohm20 = 1.0 / hot, batch.motors.built_ohm * hot
        zero, none = np.zeros(count), np.zeros(count, bool)
        draw = np.stack([rng.random(steps) for rng in batch.rngs], axis=1)
        return cls(
            figures,
            batch.motors,
            dt,
            figures.drive["gear"] / (figures.drive["wheel_m"] / 2),
            pair_ratio(batch.rngs, steps, dt),
            moments(batch, steps, dt),
            size,
            draw,
            np.zeros((DELAY_STEPS, count, 2)),
            zero.copy(),
            zero.copy(),
            none.copy(),
            zero.copy(),
            zero + 99.0,
            zero + 1e9,
            np.zeros((count, 2)),
            none.copy(),
            zero - 1.0,
            zero.copy(),
            zero.copy(),
            zero.copy(),
            zero.copy(),
            zero.copy(),
            zero + 100.0,
            none.copy(),
        )

    def act(
        self,
        k: int,
        throttle: Floats,
        lever: Floats,
        trigger: Flags,
        omega: Floats,
        speed: Floats,
        volts: Floats,
        pack: Pack,
    ) -> None:
        """One step: receive, decide, and let the torque current follow."""
        self._receive(k, throttle, lever, trigger)
        allowed_torque = self.motors.allowed()
        self.derate = allowed_torque * 100.0
        top = self.maker.vehicle["top_speed_kmh"] / 3.6
        drive = self.throttle / 100.0 * self.maker.drive["max_motor_a"] * self.trigger
        drive = drive * np.minimum(allowed_torque, ramp(speed, top * 1.08, top * 0.98))
        iq = np.repeat(drive[:, None], 2, axis=1)
        watts = self.motors.power(iq, omega).sum(axis=1)
        room = 0.95 * pack.discharge_limit * volts / np.maximum(watts, 1.0)
        iq = iq * np.minimum(1.0, room)[:, None]
        iq = self._release(iq)
        brake = self._brake(k, omega, speed, volts, pack)
        command = np.where(self.lever[:, None] > 0, brake, iq)
        dead = self.happen.reset[k][:, None] | self.happen.blind[k] | self.no_pack[:, None]
        self.motors.follow(np.where(dead, 0.0, command), self.dt)
        lost = self.drop_left_s > 0
        self.motors.iq = np.where(lost[:, None] | dead, 0.0, self.motors.iq)

    def lose_pack(self, opened: Flags) -> None:
        """The main switch is open or not. What a brake was feeding has no place to go: the link leaps."""
        leap = opened & ~self.no_pack & (self.motors.iq.min(axis=1) < -3.0)
        self.spike_v = np.where(leap, 11.0, self.spike_v)
        self.no_pack = opened

    def _receive(self, k: int, throttle: Floats, lever: Floats, trigger: Flags) -> None:
        lost = self.happen.link[k]
        self.age_ms = np.where(lost, self.age_ms + self.dt * 1000.0, 15.0 + 20.0 * self.draw[k])
        gone = self.age_ms > self.maker.drive["trigger_timeout_ms"] - 60.0
        follow = 1.0 - np.exp(-self.dt / 0.05)
        moved = self.lever + (lever - self.lever) * follow
        moved = np.where(np.abs(moved - lever) < 1.0, lever, moved)
        held = np.where(lost, self.lever, moved)
        before = self.lever > 0
        self.lever = np.where(gone, 0.0, held)
        self.throttle = np.where(gone, 0.0, np.where(lost, self.throttle, throttle))
        was = self.trigger
        self.trigger = np.where(gone, False, np.where(lost, self.trigger, trigger))
        self.since_release_ms = np.where(was & ~self.trigger, 0.0, self.since_release_ms + self.dt * 1000.0)
        driven = np.maximum(self.motors.iq, 10.0)
        self.kept_iq = np.where((was & ~self.trigger)[:, None], driven, self.kept_iq)
        good = 98.0 + 1.5 * np.sin(0.05 * k + self.draw[0] * 6.0)
        target = np.where(lost, 20.0, good)
        self.quality = self.quality + (target - self.quality) * self.dt / 0.7
        self._strike(k, (self.lever > 0) & ~before)

    def _strike(self, k: int, begins: Flags) -> None:
        """A braking begins: decide whether it is one that goes wrong."""
        luck = self.draw[k]
        self.refuse = np.where(begins, luck < self.size["regen_refused_unexplained"], self.refuse)
        hit = begins & (luck < self.size["regen_dropout"])
        self.drop_in_s = np.where(hit, 0.5 + luck, np.where(self.lever > 0, self.drop_in_s - self.dt, -1.0))
        falls = (self.drop_in_s > 0) & (self.drop_in_s <= self.dt)
        spike = falls & (self.motors.iq.min(axis=1) < -3.0)
        self.spike_v = np.where(spike, 11.0, self.spike_v * np.exp(-self.dt / 0.08))
        self.drop_left_s = np.where(falls, 1.2, np.where(self.lever > 0, self.drop_left_s - self.dt, 0.0))

    def _release(self, iq: Floats) -> Floats:
        late = (self.since_release_ms < self.size["torque_after_release"]) & ~self.trigger
        return np.where(late[:, None], self.kept_iq, iq)

    def _brake(self, k: int, omega: Floats, speed: Floats, volts: Floats, pack: Pack) -> Floats:
        """Torque current for the brake; books wanted, allowed and state."""
        drive = self.maker.drive
        wish = -np.repeat(self.lever[:, None], 2, axis=1) / 100.0 * self.maker.brake_a
        feed = np.maximum(0.0, -self.motors.power(wish, omega).sum(axis=1)) / volts
        self.wanted = np.where(self.lever > 0, feed, 0.0)
        fade = ramp(speed * 3.6, drive["regen_fade_zero_kmh"], drive["regen_fade_full_kmh"])
        self.allowed = np.minimum(drive["regen_max_a"], pack.charge_limit) * fade
        self.allowed = np.where(self.refuse & (self.lever > 0), 0.0, self.allowed)
        share = np.minimum(1.0, self.allowed / np.maximum(self.wanted, 1e-6))
        capped = self.motors.brake_for(np.repeat((feed * share * volts / 2.0)[:, None], 2, axis=1), omega)
        iq = np.maximum(np.where(share[:, None] < 1.0, capped, wish), wish)
        iq = np.where((self.allowed < 0.3)[:, None], 0.0, iq)
        iq = iq * (1.0 - self.size["regen_weak"])[:, None] * (1.0 - self.size["regen_one_sided"])
        state = np.where(share < 0.98, np.where(self.allowed < 0.5, REFUSED, LIMITED), ACTIVE)
        state = np.where(self.drop_left_s > 0, FAULT, state)
        self.state = np.where((self.lever > 0) & (self.wanted > 0.3), state, IDLE)
        return self._delayed(k, iq)

    def _delayed(self, k: int, iq: Floats) -> Floats:
        slot = k % DELAY_STEPS
        self.line[slot] = np.where(self.lever[:, None] > 0, iq, 0.0)
        late = 1 + np.minimum((self.size["regen_late"] / 1000.0 / self.dt).astype(int), DELAY_STEPS - 2)
        return np.asarray(self.line[(slot - late) % DELAY_STEPS, np.arange(len(late))])

    def slip(self) -> Floats:
        """Motor speed against what the wheel turns, by the belt's slip under torque."""
        return 1.0 + self.size["belt_slip"] / 100.0 * np.clip(self.motors.iq / 30.0, -1.0, 1.0)

    def shaft(self, omega: Floats) -> Floats:
        """Mechanical power of both motors [W]; positive drives."""
        return np.asarray((self.motors.constant * self.motors.iq * omega).sum(axis=1))

    def record(self, k: int, trace: Trace, watts: Floats, omega: Floats, link: Floats, uptime: Floats) -> None:
        happen, put = self.happen, trace.put
        fed = np.maximum(0.0, -watts.sum(axis=1)) / link
        given = np.where((self.lever > 0) | (self.motors.iq.min(axis=1) < -1.0), fed, 0.0)
        rise = self.size["regen_overvoltage"] * given / self.maker.drive["regen_max_a"]
        high = link + rise + self.spike_v
        over = high > self.maker.drive["dc_link_max_v"]
        bits = 1.0 * happen.blind[k] + 4.0 * (over | (self.drop_left_s > 0.9))[:, None]
        back = happen.reset_age_s[k]
        put(k, "throttle", self.throttle)
        put(k, "brake_demand", self.lever)
        put(k, "trigger", self.trigger.astype(float))
        put(k, "link_quality", self.quality)
        put(k, "packet_age", np.minimum(self.age_ms, 4095.0))
        put(k, "regen_demand", self.wanted)
        put(k, "regen_allowed", self.allowed)
        put(k, "regen_current", given)
        put(k, "regen_state", self.state)
        put(k, "motor_speed", np.where(happen.blind[k], 0.0, omega * 60.0 / (2.0 * np.pi)))
        put(k, "motor_current", self.motors.iq)
        put(k, "dc_link_voltage", np.repeat(high[:, None], 2, axis=1))
        put(k, "motor_temp", self.motors.winding_c)
        put(k, "fet_temp", self.motors.stage_c)
        put(k, "motor_fault", bits)
        put(k, "controller_fault", 2.0 * ((back >= 0) & (back < 4.0)) + 4.0 * (self.age_ms > 1000.0))
        put(k, "controller_uptime", np.where(back >= 0, back, uptime))
        put(k, "derate", self.derate)
        put(k, "_silent", happen.reset[k].astype(float))
