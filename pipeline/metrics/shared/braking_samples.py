"""The samples of all brakings of a session, aligned: cut out first, then looked up, so that cruising costs nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Times
from herdbook.pipeline.metrics.shared.brake_demand import demand_a, full_torque_a
from herdbook.pipeline.metrics.shared.motors import motors_of
from herdbook.pipeline.science.brake_limits import BrakingState, Envelope, Taper, slow
from herdbook.pipeline.science.stretches import Stretches, extremes, held_s, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.signals import Signals

ON_PCT = 5.0  # a demand from here on is a braking; engineering choice, above a lever's rest noise
OFF_PCT = 2.0
JOIN_S = 0.2  # a rider who lets go for less is still braking
LEAST_S = 0.4
PAUSE_S = 0.5
SETTLE_S = 0.4  # after this long delivery should have followed: 0.36 s is the system delay braking rules allow for


@dataclass(frozen=True, slots=True)
class Samples:
    """Samples inside brakings, one row a brake_demand sample; events index into them."""

    t: Times
    events: Stretches
    dt_s: Floats
    demand_pct: Floats
    demand_a: Floats
    allowed_a: Floats
    allowed_known: (
        bool  # the controller says it; else it is what the pack allows, and limiters of its own are not known
    )
    delivered_a: Floats
    pack_v: Floats
    link_v: Floats
    side_a: dict[str, Floats]  # braking current of each motor, a magnitude
    state: BrakingState
    charge_limit_a: Floats
    cycle_s: float
    least_a: float  # a smaller demand is too small to judge a delivery by
    clean: Bools  # of each braking: the lever was seen off just before
    learned: bool  # demand_a is no word of the controller, but what its lever usually gets


def envelope_of(profile: Profile) -> Envelope:
    """The vehicle's own figures where the profile has them, else steps where packs of its chemistry take less.

    Tapers are moved a little towards leniency: the limiter and the log do not read the same sample.
    """
    drive, usual = profile.drive_figures, profile.pack_figures.of_chemistry
    base = Envelope(
        cell_v=Taper(usual.regen_full_v, usual.regen_full_v),
        cold_c=Taper(usual.regen_cold_c, usual.regen_cold_c, rising=False),
        hot_cell_c=Taper(usual.regen_hot_c, usual.regen_hot_c),
    )
    fade_kmh, ceiling = drive.regen_fade_full_kmh, drive.regen_max_a
    return Envelope(
        fade_ms=base.fade_ms if fade_kmh is None else fade_kmh / 3.6,
        ceiling_a=base.ceiling_a if ceiling is None else ceiling,
        soc_pct=_taper(drive.regen_soc_full_pct, drive.regen_soc_zero_pct, -1.0, base.soc_pct),
        cell_v=_taper(drive.regen_cell_full_v, drive.regen_cell_zero_v, -0.03, base.cell_v),
        cold_c=_taper(drive.regen_cold_full_c, drive.regen_cold_zero_c, 1.5, base.cold_c),
        hot_cell_c=_taper(drive.regen_hot_full_c, drive.regen_hot_zero_c, -1.5, base.hot_cell_c),
        hot_fet_c=_taper(drive.fet_derate_c, drive.fet_max_c, -2.0, base.hot_fet_c),
        hot_motor_c=_taper(drive.winding_derate_c, drive.winding_max_c, -2.0, base.hot_motor_c),
    )


def _taper(full: float | None, zero: float | None, shift: float, otherwise: Taper) -> Taper:
    return otherwise if full is None or zero is None else Taper(full + shift, zero + shift, zero > full)


def least_a(profile: Profile) -> float:
    """C/10, between 1 and 3 A: a small pack's brake is small."""
    return float(np.clip(0.1 * profile.pack_figures.size_ah, 1.0, 3.0))


def cut(signals: Signals) -> tuple[Times, Floats, Stretches]:
    """Times, demand in percent, and the stretches of braking. Hysteresis: on at ON_PCT, over under OFF_PCT."""
    demand = signals.series("brake_demand")
    over = stretches(demand.t, demand.v > OFF_PCT, PAUSE_S, JOIN_S, LEAST_S, least_n=4)
    return demand.t, demand.v, over.keep(extremes(demand.v, over) >= ON_PCT)


def collect(signals: Signals, profile: Profile) -> Samples | None:
    """All brakings of the session; None when there was none."""
    t_all, demand_all, events = cut(signals)
    if not len(events):
        return None
    sizes = events.last - events.first + 1
    first = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    rows = np.arange(int(sizes.sum())) + np.repeat(events.first - first, sizes)
    events = Stretches(first, first + sizes - 1)
    t, demand_pct = t_all[rows], demand_all[rows]
    before = np.maximum(rows[first] - 1, 0)
    clean = (rows[first] > 0) & (t_all[rows[first]] - t_all[before] <= PAUSE_S * 1e6)
    motors = motors_of(signals, profile.drive_figures.motors)
    side_a = {side: np.clip(-signals.at(t, "motor_current", side, PAUSE_S), 0, None) for side in motors}
    state = _state(signals, t)
    pack_v = signals.at(t, "pack_voltage", hold_s=1.0)
    learned = not signals.has("regen_demand")
    if learned:
        free = _held(t, demand_pct, events) & ~slow(state, envelope_of(profile))
        full_a = full_torque_a(demand_pct, side_a, free, profile)
        wanted = demand_a(demand_pct, state.speed_ms, pack_v, full_a=full_a, profile=profile)
    else:
        wanted = signals.at(t, "regen_demand", hold_s=PAUSE_S)
    limit = signals.at(t, "charge_limit", hold_s=3.0)
    if profile.drive_figures.regen_charge_limit:
        state = replace(state, pack_open=_pack_open(limit, np.fmin(wanted, envelope_of(profile).ceiling_a), events))
    return Samples(
        t=t,
        events=events,
        dt_s=held_s(t, PAUSE_S),
        demand_pct=demand_pct,
        demand_a=wanted,
        allowed_a=_allowed(signals, t),
        allowed_known=signals.has("regen_allowed"),
        delivered_a=_delivered(signals, t),
        pack_v=pack_v,
        link_v=across(signals, t, "dc_link_voltage", np.fmax, 1.0),
        side_a=side_a,
        state=state,
        charge_limit_a=limit,
        cycle_s=signals.step_us(signals.series("brake_demand")) / 1e6,
        least_a=least_a(profile),
        clean=clean,
        learned=learned,
    )


def _pack_open(limit: Floats, wanted: Floats, events: Stretches) -> Bools:
    """Samples of brakings throughout which the pack's own charge limit was on the bus and never under what was asked.

    Of a pack whose limit holds the tapers by charge, voltage and temperature (the profile says so), these then ask for
    nothing less; a step that stands in for them would explain a refusal that the pack did not call for.
    """
    with np.errstate(invalid="ignore"):
        least = extremes(np.where(np.isfinite(limit), limit, -np.inf), events, largest=False)
        free = least >= extremes(np.where(np.isfinite(wanted), wanted, -np.inf), events)
    return np.repeat(free, events.last - events.first + 1)


def _held(t: Times, demand_pct: Floats, events: Stretches) -> Bools:
    """Samples SETTLE_S and more after a braking began, the lever within a fifth of what it was then."""
    sizes = events.last - events.first + 1
    began = np.repeat(t[events.first], sizes)
    before = np.maximum(np.searchsorted(t, t - int(SETTLE_S * 1e6), side="right") - 1, 0)
    return np.asarray((t - began >= SETTLE_S * 1e6) & (np.abs(demand_pct - demand_pct[before]) <= 0.2 * demand_pct))


def _allowed(signals: Signals, t: Times) -> Floats:
    """What all limiters leave over; where the controller does not say, what the pack allows."""
    if signals.has("regen_allowed"):
        return signals.at(t, "regen_allowed", hold_s=PAUSE_S)
    return signals.at(t, "charge_limit", hold_s=3.0)


def _delivered(signals: Signals, t: Times) -> Floats:
    """Current into the pack, as the controller says; where it does not, as the pack measures it."""
    if signals.has("regen_current"):
        return signals.at(t, "regen_current", hold_s=PAUSE_S)
    return np.clip(-signals.at(t, "pack_current", hold_s=PAUSE_S), 0.0, None)


def _state(signals: Signals, t: Times) -> BrakingState:
    speed = signals.at(t, "vehicle_speed", hold_s=1.0)
    return BrakingState(
        speed_ms=speed,
        soc_pct=signals.at(t, "pack_soc", hold_s=10.0),
        cell_max_v=across(signals, t, "cell_voltage", np.fmax, 3.0),
        cell_min_c=across(signals, t, "cell_temp", np.fmin, 30.0),
        cell_max_c=across(signals, t, "cell_temp", np.fmax, 30.0),
        fet_c=across(signals, t, "fet_temp", np.fmax, 10.0),
        motor_c=across(signals, t, "motor_temp", np.fmax, 10.0),
        derate_pct=signals.at(t, "derate", hold_s=3.0),
    )


def across(signals: Signals, t: Times, role: str, pick: np.ufunc, hold_s: float) -> Floats:
    """Largest or smallest over all items of a role; NaN where none is known."""
    out: Floats = np.full(t.shape, np.nan)
    for item in signals.items(role):
        out = pick(out, signals.at(t, role, item, hold_s))
    return out


def settled(s: Samples, signals: Signals, delay_s: float) -> Bools:
    """Where delivery should have caught up: demand steady within a fifth for SETTLE_S, or as long as this brake takes.

    delay_s: usual response of the vehicle (NaN: unknown). A late brake is late, not weak: that is another rule.
    """
    wait = int(1e6 * np.fmax(SETTLE_S, 1.5 * delay_s + 0.1))
    sizes = s.events.last - s.events.first + 1
    began = np.repeat(s.t[s.events.first], sizes)
    lowest = highest = s.demand_a
    for part in (0.33, 0.67, 1.0):
        at = s.t - int(part * wait)
        if s.learned:
            before = s.demand_a[np.maximum(np.searchsorted(s.t, at, side="right") - 1, 0)]
        else:
            before = signals.at(at, "regen_demand", hold_s=PAUSE_S)
        lowest, highest = np.minimum(lowest, before), np.maximum(highest, before)
    with np.errstate(invalid="ignore"):
        steady = highest - lowest <= 0.2 * highest + 0.5
    return np.asarray((s.t - began >= wait) & steady)
