"""What the electronics decide: the battery monitor's limits, count of charge and balancing; the controller's torque,
brake, derating and timeouts. All (vehicles,) unless said. Every maker's figures differ, and some behave otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from demo_logs.makers.firmware_design import CUT, STEPS
from demo_logs.makers.physics.rows import Flags, Floats, between

if TYPE_CHECKING:
    from demo_logs.makers.vehicle import Vehicle

OVER, UNDER, HOT, PROBE, WIRE = 1.0, 2.0, 4.0, 16.0, 32.0  # bits of the monitor's faults


def ramp(x: Floats, full: Floats, none: Floats) -> Floats:
    """1 at `full` and beyond, 0 at `none` and beyond, straight between; works both ways round."""
    return np.asarray(between((x - none) / (full - none), 0.0, 1.0))


@dataclass(slots=True)
class Monitor:
    """Pairs (vehicles, 2): full, none. soc_pct: as reported. bleed (vehicles, groups): 1 where a resistor is on. read_c
    (vehicles, sensors): probes as read, NaN without a value."""

    stepped: Flags
    cutting: Flags
    max_charge: Floats
    max_discharge: Floats
    cell_top: Floats
    cell_low: Floats
    top_v: Floats
    cold_c: Floats
    hot_c: Floats
    full_pct: Floats
    low_v: Floats
    low_pct: Floats
    smooth_s: Floats
    charge_cold: Flags
    brake_by_pack: Flags
    balance_v: Floats
    balance_spread: Floats
    bleed_a: Floats
    balance_charge: Flags
    balance_rest: Flags
    anchors: Flags
    rated_ah: Floats  # what the count takes the pack for
    gain: Floats
    zero_a: Floats
    soc_pct: Floats
    charge_limit: Floats
    discharge_limit: Floats
    cut: Flags
    bleed: Floats
    bits: Floats

    def limit(self, low: Floats, top: Floats, cold: Floats, hot: Floats, charging: bool, dt: float) -> None:
        """Limits after dt seconds from the lowest and highest group [V] and the coldest and hottest probe [degC]."""
        share = np.minimum(ramp(top, *self.top_v.T), ramp(hot, *self.hot_c.T))
        share = np.where(self.charge_cold, share, np.minimum(share, ramp(cold, *self.cold_c.T)))
        if not charging:
            share = np.where(self.brake_by_pack, np.minimum(share, ramp(self.soc_pct, *self.full_pct.T)), share)
        self.cut = np.where(share <= 0.0, True, np.where(share >= 1.0, False, self.cut))
        share = np.where(self.stepped, np.ceil(share * 4.0) / 4.0, share)
        share = np.where(self.cutting, np.where(self.cut, 0.0, 1.0), share)
        give = np.minimum(ramp(low, *self.low_v.T), ramp(self.soc_pct, *self.low_pct.T))
        give = np.minimum(give, np.minimum(ramp(hot, *self.hot_c.T) + 0.2, 0.3 + 0.7 * between((cold + 20) / 20, 0, 1)))
        blend = 1.0 - np.exp(-dt / self.smooth_s)
        self.charge_limit = self.charge_limit + (share * self.max_charge - self.charge_limit) * blend
        give = between(give, 0.0, 1.0) * self.max_discharge
        self.discharge_limit = self.discharge_limit + (give - self.discharge_limit) * blend

    def seen(self, current_a: Floats, offset_a: Floats) -> Floats:
        """Current as the pack's sensor reads it."""
        return np.asarray(current_a * self.gain + self.zero_a + offset_a)

    def count(self, seen_a: Floats, low: Floats, slower: Floats, dt: float) -> None:
        """The reported charge follows the measured current; an empty group takes it down."""
        moved = self.soc_pct - seen_a * dt / 36.0 / self.rated_ah * (1.0 - slower)
        self.soc_pct = between(np.where(low < self.low_v[:, 1], np.minimum(moved, 3.0), moved), 0.0, 100.0)

    def look(self, low: Floats, top: Floats, hot: Floats, probe_gone: Flags, wire_gone: Flags) -> None:
        """Fault bits as they stand now."""
        over, under = (top > self.cell_top + 0.005) * OVER, (low < self.cell_low) * UNDER
        self.bits = over + under + (hot > self.hot_c[:, 1] + 5.0) * HOT + probe_gone * PROBE + wire_gone * WIRE

    def balance(self, volts: Floats, charging: Flags, resting: Flags, stuck: Floats) -> None:
        """Resistors on above a voltage, for groups above the lowest; or all off."""
        may = (charging & self.balance_charge) | (resting & self.balance_rest)
        lowest = np.where(volts > 0.5, volts, np.inf).min(axis=1)[:, None]
        high = (volts > self.balance_v[:, None]) & (volts > lowest + self.balance_spread[:, None])
        self.bleed = np.maximum((high & may[:, None]).astype(float), stuck)


def monitor_of(vehicles: Sequence[Vehicle]) -> Monitor:
    f, one = [v.design.firmware for v in vehicles], [v.one for v in vehicles]
    count = len(vehicles)

    def row(name: str) -> Floats:
        return np.array([getattr(x, name) for x in f])

    true_ah = [v.design.cell.rated_ah * v.design.cell.built * float(v.one.ah.mean()) for v in vehicles]
    return Monitor(
        stepped=np.array([x.shape == STEPS for x in f]),
        cutting=np.array([x.shape == CUT for x in f]),
        max_charge=row("max_charge_a"),
        max_discharge=row("max_discharge_a"),
        cell_top=row("cell_top_v"),
        cell_low=row("cell_low_v"),
        top_v=row("top_v"),
        cold_c=row("cold_c"),
        hot_c=row("hot_c"),
        full_pct=row("full_pct"),
        low_v=row("low_v"),
        low_pct=row("low_pct"),
        smooth_s=row("smooth_s"),
        charge_cold=np.array([x.charge_cold for x in f]),
        brake_by_pack=np.array([x.brake_by_pack for x in f]),
        balance_v=row("balance_v"),
        balance_spread=row("balance_spread_v"),
        bleed_a=row("bleed_a"),
        balance_charge=np.array([x.balance != "none" for x in f]),
        balance_rest=np.array([x.balance == "rest" for x in f]),
        anchors=np.array([x.soc_anchor for x in f]),
        rated_ah=np.array([a * o.bms_ah for a, o in zip(true_ah, one, strict=True)]),
        gain=np.array([o.gain for o in one]),
        zero_a=np.array([o.zero_a for o in one]),
        soc_pct=np.array([o.start_pct for o in one]),
        charge_limit=row("max_charge_a"),
        discharge_limit=row("max_discharge_a"),
        cut=np.zeros(count, bool),
        bleed=np.zeros((count, 20)),
        bits=np.zeros(count),
    )


@dataclass(slots=True)
class Controller:
    """Figures of the drive's firmware, then its state on a ride. *_a: torque current a motor."""

    two: Flags
    max_a: Floats
    brake_a: Floats
    lag_s: Floats
    brake_lag_s: Floats
    regen_max: Floats
    brake_share: Floats
    fade_ms: Floats  # (vehicles, 2)
    coast_brake: Floats
    ramp_a_s: Floats
    map_power: Floats
    timeout_ms: Floats
    winding_c: Floats
    stage_c: Floats
    full_pct: Floats
    by_pack: Flags
    link_max: Floats

    def derate(self, winding: Floats, stage: Floats) -> Floats:
        """Share of torque allowed by the hottest winding and power stage, 0..1."""
        return np.asarray(np.minimum(ramp(winding, *self.winding_c.T), ramp(stage, *self.stage_c.T)))

    def brake_room(self, charge_limit: Floats, soc_pct: Floats, speed: Floats) -> Floats:
        """Pack-side current that all limiters leave to the brake [A]."""
        room = np.minimum(self.regen_max, charge_limit)
        room = np.where(self.by_pack, room, room * ramp(soc_pct, *self.full_pct.T))
        return np.asarray(room * ramp(speed, *self.fade_ms.T))


def controller_of(vehicles: Sequence[Vehicle]) -> Controller:
    f, d = [v.design.firmware for v in vehicles], [v.design.drive for v in vehicles]

    def row(name: str) -> Floats:
        return np.array([getattr(x, name) for x in f])

    def of_drive(name: str) -> Floats:
        return np.array([float(getattr(x, name)) for x in d])

    return Controller(
        two=np.array([x.motors == 2 for x in d]),
        max_a=of_drive("max_a"),
        brake_a=of_drive("brake_a"),
        lag_s=of_drive("lag_s"),
        brake_lag_s=row("brake_lag_s"),
        regen_max=row("regen_max_a"),
        brake_share=row("brake_share"),
        fade_ms=row("fade_kmh") / 3.6,
        coast_brake=row("coast_brake"),
        ramp_a_s=row("ramp_a_s"),
        map_power=row("map_power"),
        timeout_ms=row("timeout_ms"),
        winding_c=row("winding_c"),
        stage_c=row("stage_c"),
        full_pct=row("full_pct"),
        by_pack=np.array([x.brake_by_pack for x in f]),
        link_max=row("link_max_v"),
    )
