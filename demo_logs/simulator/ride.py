"""One ride: rider, controller, motors, pack and road, step by step for a batch of vehicles.

The loop runs over time only; every quantity is an array over the batch. Energy is booked as it flows
(`energy`), so that a test can hold the sum of all losses against what the groups gave.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from demo_logs.simulator.batch import Batch
from demo_logs.simulator.controller import Controller
from demo_logs.simulator.rider import BIN_M, BRAKE, COAST, DRIVE, STOP, Plan, plan_rides
from demo_logs.simulator.spec import AIR, GRAVITY
from demo_logs.simulator.trace import Trace

Floats = NDArray[np.float64]
DT_S = 0.05
AUX_W = 22.0  # lights and electronics
WIRE_OHM = 0.004  # from the pack's terminals to the controller
OPENS_C, OPEN_S = 0.2, 4.0  # a bad main switch: at which current it opens, and for how long (engineering choice)
BELT = 0.97  # of the power passes a sound belt
SPINNING = 1.03  # mass of turning parts, as a factor on the mass


@dataclass(slots=True)
class Road:
    """Where the vehicles are and what holds them back. All (vehicles,)."""

    mass: Floats
    rolling: Floats
    drag_area: float
    place_m: Floats
    speed: Floats
    hand_n: Floats  # mechanical brake
    on_hill: NDArray[np.bool_]


@dataclass(slots=True)
class Ride:
    """A ride in the making."""

    batch: Batch
    plan: Plan
    road: Road
    controller: Controller
    wander: Floats
    open_s: Floats  # for how long the main switch stays open yet
    flowing: Floats  # pack current of the last step
    energy: dict[str, Floats] = field(default_factory=dict)

    def book(self, name: str, watts: Floats) -> None:
        self.energy[name] = self.energy.get(name, np.zeros(len(watts))) + watts * DT_S

    def step(self, k: int, trace: Trace) -> None:
        batch, road, controller = self.batch, self.road, self.controller
        here = np.minimum((road.place_m / BIN_M).astype(int), self.plan.grade.shape[1] - 1)
        grade = self.plan.grade[np.arange(len(here)), here]
        throttle, lever, trigger = self._rider(k, grade)
        omega = road.speed[:, None] * controller.turns * controller.pair[k]
        factor = batch.pack.cells.factor()
        emf, ohm = batch.pack.circuit(factor)
        opened = self._switch(k)
        controller.lose_pack(opened)
        controller.act(k, throttle, lever, trigger, omega, road.speed, emf, batch.pack)
        omega = omega * controller.slip()
        motors = batch.motors
        watts = motors.power(motors.iq, omega)
        total = watts.sum(axis=1) + AUX_W
        ohm_all = ohm + WIRE_OHM
        current = (emf - np.sqrt(np.maximum(emf * emf - 4.0 * ohm_all * total, 0.0))) / (2.0 * ohm_all)
        self.flowing = current = np.where(opened, 0.0, current)
        slow_w = current * batch.pack.cells.slow_v.sum(axis=1)
        batch.pack.step(current, DT_S, factor, charging=False)
        batch.pack.balance(False)
        link = emf - current * ohm_all
        self.book("slow", slow_w)
        self._books(current, factor, watts, omega)
        motors.warm(omega, batch.pack.air_c, DT_S)
        self._move(k, grade, lever, omega)
        batch.uptime_s += DT_S
        batch.record_pack(trace, k, current, np.where(opened, 0.0, 2.0), np.where(opened, 5.0, 2.0))
        controller.record(k, trace, watts, omega, link, batch.uptime_s)
        trace.put(k, "vehicle_speed", road.speed * batch.wheel)
        trace.put(k, "odometer", batch.odometer_km)

    def _switch(self, k: int) -> NDArray[np.bool_]:
        """Where the main switch is open: it gives way under load, comes back after OPEN_S."""
        loaded = np.abs(self.flowing) > OPENS_C * self.batch.maker.pack["rated_ah"]
        gives_way = self.controller.happen.cut[k] & loaded & (self.open_s <= 0)
        self.open_s = np.where(gives_way, OPEN_S, self.open_s - DT_S)
        return np.asarray(self.open_s > 0)

    def _rider(self, k: int, grade: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Throttle [%], brake lever [%] and trigger of this step."""
        road, kind, target = self.road, self.plan.kind[k], self.plan.target_ms[k]
        force = road.mass * np.clip(0.8 * (target - road.speed), -2.0, 1.5) + self._drag(grade)
        full = 2.0 * self.controller.maker.newton_per_a * self.controller.maker.drive["max_motor_a"]
        wish = force / full * 100.0 * (1.0 + self.wander[k])
        throttle = np.where(kind == DRIVE, np.clip(wish, 0.0, 100.0), 0.0)
        over = road.speed - target
        road.on_hill = (kind == DRIVE) & np.where(road.on_hill, over > -0.3, over > 0.8)
        hill = np.where(road.on_hill, np.clip(20.0 + 15.0 * over, 15.0, 60.0), 0.0)
        lever = np.where((kind == BRAKE) & (road.speed > target + 0.15), self.plan.level_pct[k], hill)
        throttle = np.where(lever > 0, 0.0, throttle)
        return throttle, lever, (kind == DRIVE) | (kind == BRAKE)

    def _drag(self, grade: Floats) -> Floats:
        road = self.road
        slope = np.arctan(grade)
        moving = np.tanh(road.speed / 0.05)
        roll = road.mass * GRAVITY * road.rolling * np.cos(slope) * moving
        air = 0.5 * AIR * road.drag_area * road.speed**2
        return np.asarray(road.mass * GRAVITY * np.sin(slope) + roll + air)

    def _move(self, k: int, grade: Floats, lever: Floats, omega: Floats) -> None:
        road, controller = self.road, self.controller
        force = (controller.motors.constant * controller.motors.iq).sum(axis=1) * controller.turns
        pull = np.where(force > 0, force * BELT, force / BELT)
        wanted = lever / 100.0 * 2.0 * controller.maker.brake_a * controller.maker.newton_per_a
        short = np.maximum(0.0, wanted + np.minimum(pull, 0.0)) * (lever > 0) * 0.9
        road.hand_n += (short - road.hand_n) * DT_S / 0.6
        foot = (self.plan.kind[k] == STOP) & (road.speed > 0)
        hand = np.where(foot, road.mass * 2.5, np.where(self.plan.kind[k] == COAST, 0.0, road.hand_n))
        drag = self._drag(grade)
        before = road.speed
        change = (pull - drag - hand) / (road.mass * SPINNING) * DT_S
        after = np.maximum(0.0, before + change)
        held = np.where(foot & (before < 0.3), 0.0, after)
        mean = 0.5 * (before + held)
        lost = 0.5 * road.mass * SPINNING * ((before + change) ** 2 - held**2) / DT_S
        road.speed = held
        road.place_m = road.place_m + mean * DT_S
        self.batch.odometer_km = self.batch.odometer_km + mean * DT_S / 1000.0
        middle = before + 0.5 * change
        self.book("belt", controller.shaft(omega) - pull * middle)
        self.book("road", drag * middle)
        self.book("hand", hand * middle + lost)

    def _books(self, current: Floats, factor: Floats, watts: Floats, omega: Floats) -> None:
        cells, motors = self.batch.pack.cells, self.batch.motors
        volts = self.batch.pack.volts
        self.book("terminals", current * (volts.sum(axis=1) - current * self.batch.pack.joint_ohm))
        self.book("joint", current**2 * self.batch.pack.joint_ohm)
        self.book("ohmic", (current[:, None] ** 2 * cells.ohmic * factor).sum(axis=1))
        self.book("wire", current**2 * WIRE_OHM)
        self.book("aux", np.where(self.open_s > 0, 0.0, AUX_W))
        copper, stage, iron = motors.losses(motors.iq, omega)
        self.book("copper", copper.sum(axis=1))
        self.book("stage", stage.sum(axis=1))
        self.book("iron", np.where(np.abs(motors.iq) > 0.3, iron, 0.0).sum(axis=1))
        self.book("link", watts.sum(axis=1))


def ride(batch: Batch, minutes: float, styles: list[str]) -> tuple[Trace, Ride]:
    """Ride all vehicles of the batch for so long, from where `Batch.begin` left them."""
    figures = batch.maker
    steps = int(minutes * 60.0 / DT_S)
    riders = [v.rider for v in batch.vehicles]
    top = figures.vehicle["top_speed_kmh"] / 3.6
    plan = plan_rides(batch.rngs, riders, top, steps, DT_S, styles)
    count = len(batch.vehicles)
    mass = np.array([figures.vehicle["mass_kg"] + v.load_kg for v in batch.vehicles])
    rolling = figures.vehicle["rolling"] * batch.active.scalar("rolling_drag")
    zero = np.zeros(count)
    road = Road(mass, rolling, figures.vehicle["drag_area_m2"], zero, zero, zero.copy(), zero > 1)
    controller = Controller.start(batch, steps, DT_S)
    knots = np.arange(0.0, steps * DT_S + 4.0, 2.0)
    grid = np.arange(steps) * DT_S
    wander = np.stack([np.interp(grid, knots, rng.normal(0, 0.05, len(knots))) for rng in batch.rngs], axis=1)
    trip = Ride(batch, plan, road, controller, wander, zero.copy(), zero.copy())
    trace = Trace.blank(batch.clock_us, steps, DT_S)
    for k in range(steps):
        trip.step(k, trace)
    batch.record_identity(trace)
    batch.clock_us = batch.clock_us + np.int64(steps * DT_S * 1e6)
    return trace, trip
