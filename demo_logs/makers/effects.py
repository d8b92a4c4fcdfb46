"""Faults as they stand when a session begins, brought into the physics; and what happens between sessions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.faults import Now
from demo_logs.makers.physics.firmware import OVER
from demo_logs.makers.physics.rows import Floats
from demo_logs.makers.state import GROUPS, SENSORS, World, real_max, real_min

SIDES = 2
RISE_S = 1800.0  # a place that heats without load would be `size` K warmer after so long, nothing flowing off
ASLEEP = 0.15  # of its current a stuck balancer draws while the monitor sleeps (engineering choice)
GROUP_V = 3.25
ASLEEP_SOC, SHORTED_SOC = -0.03, -0.18  # where the electronics give up, and where a short is nearly through


def prepare(world: World, now: Now, rated_ah: Floats) -> None:
    """Resistance, capacity, offsets, leaks, joints and windings of a batch as they are now."""
    cells, groups = world.cells, GROUPS
    weak = now.items("weak_group", groups)
    cells.ohmic, cells.kinetic, cells.slow = (world.built_r[:, :, k] * weak for k in range(3))
    lost = now.items("low_capacity", groups) + now.plain("worn_pack")[:, None]
    ah = world.built_ah * (1.0 - np.minimum(lost, 90.0) / 100.0)
    cells.soc = 1.0 - (1.0 - cells.soc) * cells.ah / ah  # aligned when full
    cells.ah = ah
    offset = now.items("imbalance", groups) / 100.0
    cells.soc = cells.soc - np.maximum(offset - world.done_offset, 0.0)
    world.done_offset = np.maximum(world.done_offset, offset)
    leak = now.items("leaking_group", groups) / 100.0 * rated_ah[:, None] / 24.0
    cells.leak_a = world.built_leak + leak + heater_w(world, now).sum(axis=1)[:, None] / (GROUP_V * _count(world))
    hot = now.items("winding_hot", SIDES)
    world.motors.ohm20 = world.built_winding * np.sqrt(hot)  # half of it shorted turns, half lost cooling
    world.drive_heat.winding_w = world.built_winding_w / hot
    cells.refresh()


def _count(world: World) -> Floats:
    return np.asarray(world.cells.real.sum(axis=1, keepdims=True), np.float64)


def joint_ohm(world: World, now: Now) -> tuple[Floats, Floats]:
    """Whole joint resistance (vehicles,) and the part of the bad joint by group (vehicles, groups) [ohm]."""
    size = now.items("hot_for_load", SENSORS)
    pack = (world.built_r[:, :, :2].sum(axis=2) * world.cells.real).sum(axis=1)
    extra = np.einsum("vs,vsg->vg", size, world.near_share) * pack[:, None]
    return world.joint_ohm + extra.sum(axis=1), extra


def heater_w(world: World, now: Now) -> Floats:
    """Heat (vehicles, groups) without load [W]."""
    size = now.items("rising_without_load", SENSORS)
    beside = (world.near_share > 0) * world.heat.capacity[:, :, None]
    return np.asarray(np.einsum("vs,vsg->vg", size / RISE_S, beside))


def idle(world: World, hours: Floats, taken_ah: Floats, now: Now, air_c: Floats) -> None:
    """Nothing is recorded for so long. taken_ah (vehicles,): through all groups. Leaks go on; the heater is off."""
    cells = world.cells
    asleep = cells.leak_a - heater_w(world, now).sum(axis=1)[:, None] / (GROUP_V * _count(world))
    own = cells.leak_a
    cells.leak_a = asleep
    stuck = now.items("balancer_stuck", GROUPS) * world.monitor.bleed_a[:, None] * ASLEEP * hours[:, None]
    before = cells.soc
    cells.idle(hours, taken_ah[:, None] + stuck)
    floor = np.where((stuck > 0) | (cells.leak_a > 5.0 * world.built_leak), SHORTED_SOC, ASLEEP_SOC)
    cells.soc = np.maximum(cells.soc, np.minimum(before, floor))
    cells.leak_a = own
    world.heat.air_c = air_c
    cells.temp_c = world.heat.idle(cells.temp_c, hours)
    world.drive_heat.idle(air_c, hours)
    seen = world.monitor.gain * taken_ah
    moved = 100.0 * seen / world.monitor.rated_ah * (1.0 - now.plain("soc_count") / 100.0)
    world.monitor.soc_pct = np.clip(world.monitor.soc_pct - moved, 0.0, 100.0)


def probes(world: World, now: Now, error_k: Floats, frozen_c: Floats, used: NDArray[np.bool_]) -> Floats:
    """Probe temperatures as read (vehicles, sensors); NaN: no value (open, or no such sensor)."""
    read = world.heat.probe_c + error_k + now.items("temp_offset", SENSORS)
    read = np.where(now.items("temp_frozen", SENSORS) > 0, frozen_c, read)
    read = np.where(now.items("temp_short", SENSORS) > 0, 145.0, read)
    return np.where((now.items("temp_open", SENSORS) > 0) | ~used, np.nan, read)


def span(read_c: Floats) -> tuple[Floats, Floats]:
    """Coldest and hottest probe that the monitor believes; 20 degC where there is none."""
    sane = np.where(read_c > 120.0, np.nan, read_c)
    none = np.isnan(sane).all(axis=1, keepdims=True)
    filled = np.where(none, 20.0, sane)
    return np.nanmin(filled, axis=1), np.nanmax(filled, axis=1)


def without_value(read_c: Floats, used: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which monitors miss a probe that should be there (vehicles,)."""
    return np.asarray(((np.isnan(read_c) & used) | (read_c > 120.0)).any(axis=1), bool)


def settle(world: World, read_c: Floats, charging: bool) -> None:
    """Limits and fault bits as they stand after waking up."""
    volts = world.cells.emf()
    low, top = real_min(volts, world.cells.real), real_max(volts, world.cells.real)
    cold, hot = span(read_c)
    world.monitor.limit(low, top, cold, hot, charging, 1e9)
    world.monitor.bits = np.zeros(len(low)) * OVER
