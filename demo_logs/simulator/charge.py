"""Charging and resting: constant current, constant voltage, the end of charge with balancing, and nothing at all."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_logs.simulator.batch import Batch
from demo_logs.simulator.trace import Trace

Floats = NDArray[np.float64]
CABLE_OHM = 0.006
READY, CURRENT, VOLTAGE, DONE = 1.0, 2.0, 3.0, 4.0
END_HOLD_S = 60.0  # the charger ends when the current stays this long below its limit


def charge(batch: Batch, minutes: float, dt: float = 2.0) -> Trace:
    """Plug in for so long. Ends by itself when full; balancing goes on while plugged in."""
    pack, figures = batch.pack, batch.maker.pack
    count, steps = len(batch.vehicles), int(minutes * 60.0 / dt)
    trace = Trace.blank(batch.clock_us, steps, dt)
    low_s, done, early = np.zeros(count), np.zeros(count, bool), batch.active.scalar("charger_stops_early")
    for k in range(steps):
        factor = pack.cells.factor()
        emf, ohm = pack.circuit(factor)
        ohm = ohm + CABLE_OHM
        ask = figures["charger_a"] * min(1.0, max(0.0, (k * dt - 8.0) / 10.0))
        by_voltage = (figures["charger_v"] - emf) / ohm
        amps = np.where(done, 0.0, np.clip(np.minimum(np.minimum(ask, by_voltage), pack.charge_limit), 0.0, None))
        pack.step(-amps, dt, factor, charging=True)
        pack.balance(k * dt > 20.0)
        low_s = np.where((amps < figures["charge_end_a"]) & (k * dt > 60.0), low_s + dt, 0.0)
        full = (low_s > END_HOLD_S) & ~done
        pack.bms_soc = np.where(full, 100.0, np.minimum(pack.bms_soc, 99.9 if k * dt > 20.0 else 100.0))
        pack.bms_soc = np.where(done & ~((early > 0) & (pack.bms_soc < 99.9)), 100.0, pack.bms_soc)
        done = done | full | ((early > 0) & (pack.bms_soc >= early))
        limited = amps < ask - 0.05
        state = np.where(done, DONE, np.where(amps < 0.01, READY, np.where(limited, VOLTAGE, CURRENT)))
        mode = np.where(done, np.where(pack.bleed.max(axis=1) > 0, 4.0, 1.0), 3.0)
        batch.record_pack(trace, k, -amps, np.where(done, 0.0, 2.0), mode)
        trace.put(k, "charger_voltage", emf + amps * ohm)
        trace.put(k, "charger_current", amps)
        trace.put(k, "charger_state", state)
    _close(batch, trace, steps, dt)
    return trace


def rest(batch: Batch, minutes: float, dt: float = 10.0) -> Trace:
    """Stand still, main switch open; the BMS wakes now and then and sends what it sees."""
    count, steps = len(batch.vehicles), int(minutes * 60.0 / dt)
    trace = Trace.blank(batch.clock_us, steps, dt)
    none = np.zeros(count)
    for k in range(steps):
        batch.pack.step(none, dt, batch.pack.cells.factor(), charging=True)
        batch.pack.balance(False)
        batch.record_pack(trace, k, none, 0.0, 1.0)
    _close(batch, trace, steps, dt)
    return trace


def _close(batch: Batch, trace: Trace, steps: int, dt: float) -> None:
    batch.record_identity(trace)
    batch.clock_us = batch.clock_us + np.int64(steps * dt * 1e6)
    batch.motors.cool(batch.pack.air_c, np.full(len(batch.vehicles), steps * dt / 3600.0))
