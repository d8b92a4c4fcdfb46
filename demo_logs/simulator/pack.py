"""The pack: groups in series with their joints, heat, balancing resistors, and the limits its BMS hands out."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from demo_logs.simulator.cells import Cells
from demo_logs.simulator.faults import Active
from demo_logs.simulator.spec import Maker, Vehicle, group_of_sensor

Floats = NDArray[np.float64]
JOINT_OHM = 0.002  # all joints, fuse and main switch of a sound pack (engineering choice)
NEIGHBOUR_W_PER_K = 1.5  # heat flow between groups side by side (engineering choice)
ASLEEP_SHARE = 0.05  # of the time between logs the BMS is awake (engineering choice)
FILTER_S = 4.0  # the BMS smooths its limits with this time constant


@dataclass(slots=True)
class Pack:
    """State of the packs of a batch. Arrays are (vehicles,), (vehicles, groups) or (vehicles, sensors)."""

    maker: Maker
    cells: Cells
    base: Cells  # without faults
    joint_ohm: Floats
    joint_heat: Floats  # (vehicles, groups): share of the extra joint's heat that goes to each group
    own_heat_w: Floats
    air_c: Floats
    bms_soc: Floats
    charge_limit: Floats
    discharge_limit: Floats
    bleed: Floats
    stuck: Floats
    offset_done: Floats
    soc_step: Floats  # reported over true change of charge
    board_c: Floats
    volts: Floats
    sensors: list[list[int]] = field(default_factory=list)

    def prepare(self, active: Active, air_c: Floats) -> None:
        """Bring faults as they are now into the physics."""
        groups = tuple(range(1, self.maker.groups + 1))
        self.air_c = air_c
        weak = active.size("weak_group", groups)
        self.cells.ohmic, self.cells.slow = self.base.ohmic * weak, self.base.slow * weak
        lost = active.size("low_capacity", groups) + active.scalar("worn_pack")[:, None]
        ah = self.base.ah * (1.0 - lost / 100.0)
        self.cells.soc = 1.0 - (1.0 - self.cells.soc) * self.cells.ah / ah  # aligned when full
        self.cells.ah = ah
        offset = active.size("imbalance", groups)
        self.cells.soc = self.cells.soc - (offset - self.offset_done) / 100.0
        self.offset_done = offset
        sensors = tuple(range(1, len(self.sensors) + 1))
        joint, heater = active.size("hot_for_load", sensors), active.size("rising_without_load", sensors)
        self.joint_heat = np.zeros_like(self.cells.soc)
        self.own_heat_w = np.zeros_like(self.cells.soc)
        for i, members in enumerate(self.sensors):
            self.joint_heat[:, members] += joint[:, [i]] / 1000.0 / len(members)
            self.own_heat_w[:, members] += heater[:, [i]] / len(members)
        self.joint_ohm = JOINT_OHM + joint.sum(axis=1) / 1000.0
        leak = active.size("leaking_group", groups) / 1000.0
        heat_a = self.own_heat_w.sum(axis=1, keepdims=True) / (3.3 * self.maker.groups)
        self.cells.leak_a = self.base.leak_a + leak + heat_a
        self.stuck = active.size("balancer_stuck", groups)
        self.soc_step = 1.0 - active.scalar("soc_count") / 100.0

    def circuit(self, factor: Floats) -> tuple[Floats, Floats]:
        """Electromotive force [V] and resistance [ohm] of each pack at its terminals."""
        return self.cells.emf().sum(axis=1), (self.cells.ohmic * factor).sum(axis=1) + self.joint_ohm

    def step(self, current_a: Floats, dt: float, factor: Floats, charging: bool) -> Floats:
        """Advance by dt with this current; voltage of every group during the step [V]."""
        cells = self.cells
        self.volts = cells.emf() - current_a[:, None] * cells.ohmic * factor
        extra = self.bleed * self.volts / self.maker.pack["bleed_ohm"]
        heat = cells.advance(current_a, extra, dt, factor) + extra * self.volts * 0.5
        heat += current_a[:, None] ** 2 * self.joint_heat + self.own_heat_w
        self._warm(heat, dt)
        self.bms_soc -= self.soc_step * current_a * dt / 36.0 / cells.ah.mean(axis=1)
        self._limits(dt, charging)
        return self.volts

    def _warm(self, heat: Floats, dt: float) -> None:
        groups = self.maker.groups
        capacity = self.maker.pack["heat_capacity_j_per_k"] / groups
        loss = self.maker.pack["heat_loss_w_per_k"] / groups
        temp = self.cells.temp_c
        flow = np.diff(temp, axis=1) * NEIGHBOUR_W_PER_K
        heat = heat + loss * (self.air_c[:, None] - temp)
        heat[:, :-1] += flow
        heat[:, 1:] -= flow
        self.cells.temp_c = temp + heat * dt / capacity
        self.board_c += (self.cells.temp_c.mean(axis=1) + 3.0 - self.board_c) * dt / 300.0

    def _limits(self, dt: float, charging: bool) -> None:
        drive, pack = self.maker.drive, self.maker.pack
        top, low = self.volts.max(axis=1), self.volts.min(axis=1)
        cold, hot = self.cells.temp_c.min(axis=1), self.cells.temp_c.max(axis=1)
        share = ramp(top, drive["regen_cell_zero_v"], drive["regen_cell_full_v"])
        share = np.minimum(share, ramp(cold, drive["regen_cold_zero_c"], drive["regen_cold_full_c"]))
        share = np.minimum(share, ramp(hot, drive["regen_hot_zero_c"], drive["regen_hot_full_c"]))
        if not charging:
            full = ramp(self.bms_soc, drive["regen_soc_zero_pct"], drive["regen_soc_full_pct"])
            share = np.minimum(share, full)
        give = np.minimum(ramp(low, 2.55, 2.85), 0.3 + 0.7 * ramp(cold, -20.0, 0.0))
        give = np.minimum(give, ramp(hot, pack["discharge_max_c"], pack["discharge_max_c"] - 8.0))
        blend = 1.0 - np.exp(-dt / FILTER_S)
        self.charge_limit += (share * pack["max_charge_a"] - self.charge_limit) * blend
        self.discharge_limit += (give * pack["max_discharge_a"] - self.discharge_limit) * blend

    def settle(self, charging: bool) -> None:
        """Limits as they stand after waking up: at rest, not on their way from the last session."""
        self.volts = self.cells.emf()
        self._limits(1e9, charging)

    def balance(self, enabled: bool) -> None:
        """Switch the balancing resistors: above a voltage, for groups above the lowest; or all off."""
        on = np.zeros_like(self.volts)
        if enabled:
            pack = self.maker.pack
            lowest = self.volts.min(axis=1, keepdims=True)
            high = (self.volts > pack["balance_start_v"]) & (self.volts > lowest + pack["balance_spread_v"])
            on = high.astype(float)
        self.bleed = np.maximum(on, self.stuck)

    def idle(self, hours: Floats, used_ah: Floats, leaked_ah: Floats) -> None:
        """Time that no log shows: self-discharge, relaxation, cooling, and use that goes through all groups alike."""
        cells = self.cells
        stuck_ah = ASLEEP_SHARE * self.stuck * 3.3 / self.maker.pack["bleed_ohm"] * hours[:, None]
        drained = self.base.leak_a * hours[:, None] + stuck_ah + leaked_ah
        cells.soc = cells.soc - (drained + used_ah[:, None]) / cells.ah
        self.bms_soc = np.clip(self.bms_soc - self.soc_step * used_ah * 100.0 / cells.ah.mean(axis=1), 0.0, 100.0)
        keep = np.exp(-hours[:, None] * 3600.0 / cells.tau_s)
        cells.slow_v = cells.slow_v * keep
        settle = np.exp(-hours / 1.3)
        self.board_c = self.air_c + (self.board_c - self.air_c) * settle
        cells.temp_c = self.air_c[:, None] + (cells.temp_c - self.air_c[:, None]) * settle[:, None]


def ramp(x: Floats, zero: float, full: float) -> Floats:
    """0 at `zero`, 1 at `full`, straight between, clipped outside; works in both directions."""
    return np.clip((x - zero) / (full - zero), 0.0, 1.0)


def new_pack(maker: Maker, vehicles: list[Vehicle], rng: np.random.Generator) -> Pack:
    """Packs as built: every group a little different, then worn as the vehicle says."""
    shape = (len(vehicles), maker.groups)
    resistance = np.array([[v.resistance] for v in vehicles])
    r10 = maker.pack["cell_r10s_mohm"] / 1000.0 * resistance
    # the 10 s figure holds the ohmic part and 1 - exp(-10/15) of the slow part
    ohmic = 0.65 * r10 * np.exp(rng.normal(0.0, 0.03, shape))
    slow = 0.35 * r10 / (1 - np.exp(-10.0 / 15.0)) * np.exp(rng.normal(0.0, 0.03, shape))
    capacity = np.array([[v.capacity] for v in vehicles])
    ah = maker.pack["rated_ah"] * 1.02 * capacity * np.exp(rng.normal(0.0, 0.005, shape))
    per_month = maker.pack["self_discharge_pct_month"] / 100.0 * maker.pack["rated_ah"] / 730.0
    leak = per_month * np.exp(rng.normal(0.0, 0.15, shape))
    start = np.array([[v.soc_pct / 100.0] for v in vehicles])
    spread = np.array([[v.charge_spread_pct / 100.0] for v in vehicles])
    soc = 1.0 - (1.0 - start) * ah.mean(axis=1, keepdims=True) / ah + rng.normal(0.0, 1.0, shape) * spread
    soc = np.minimum(soc, 0.9995)
    zero, room = np.zeros(shape), np.full(shape, 20.0)
    ea = maker.pack["cell_r_ea_ev"]
    cells = Cells(ah, ohmic, slow, leak, soc, zero.copy(), zero.copy() - 0.5, room, ea_ev=ea)
    base = Cells(ah.copy(), ohmic.copy(), slow.copy(), leak.copy(), soc.copy(), zero, zero, room.copy(), ea_ev=ea)
    one = np.zeros(len(vehicles))
    bms = np.clip(100.0 * start[:, 0] + rng.normal(0.0, 0.7, len(vehicles)), 0.0, 100.0)
    return Pack(
        maker,
        cells,
        base,
        one + JOINT_OHM,
        zero.copy(),
        zero.copy(),
        one + 20.0,
        bms,
        one + maker.pack["max_charge_a"],
        one + maker.pack["max_discharge_a"],
        zero.copy(),
        zero.copy(),
        zero.copy(),
        one.copy() + 1.0,
        one + 20.0,
        cells.emf(),
        group_of_sensor(maker.groups, maker.sensors),
    )
