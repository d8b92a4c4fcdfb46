"""Every braking of a ride, cut out and measured: event kind "braking".

Data keys of an event (a key is left out where it is unknown):
    demand_pct, demand_max_pct   brake command, mean and largest
    speed_start_ms, speed_end_ms vehicle speed
    soc_pct, cell_max_v, cell_min_c, cell_max_c    state of the pack: charge, highest group, coldest, hottest sensor
    learned                      1 where the controller does not say what it is asked: demand_a is what its lever gets
    demand_a, allowed_a, delivered_a, charge_limit_a    pack-side regeneration current, means once settled
    ratio                        delivered over demanded, settled
    state_share                  share of the ceiling that the pack's and the drive's state leave over, settled
    settled_s                    time behind these means
    power_w, energy_wh           into the pack: mean power, energy
    decel_ms2, decel_se_ms2      straight line through the speed; grade and wind not observed
    level_decel_ms2, rest_ms2    what motors, rolling and air explain on the level; what is left: a slope, another
                                 brake, a load that is not the profile's. Never a brake test
    response_s                   demand to delivery, at half height
    response_frame_s             time between the two frames that show that delivery
    short_a                      demanded, not delivered (mean once settled, beyond the tolerance); its parts:
    short_slow_a, short_full_a, short_cold_a, short_hot_a, short_ceiling_a    explained by the state
    short_unreasoned_a           withheld by a limiter, no reason in sight
    short_undelivered_a          allowed, not delivered
    left_a, right_a, asymmetry   braking current of each motor; |left - right| over their mean
    front_a, rear_a              the same of a front and a rear motor, which may differ by design
    pack_v_max, link_v_max       highest voltage
    link_rise_v                  voltage of the link over the pack's, mean once settled
    link_idle_v                  the same without current and with the brake off, middle of the session
    pack_over_s, link_over_s     longest time above the limit
    dropout_s, dropout_allowed_a longest sudden loss of the brake with the demand held; what the controller allowed then
    dropout_share                share of the ceiling that the state left over then and in the moment before
    dropout_back                 1 where the brake came back by itself in the same braking, 0 where it stayed away
    pulled_s, barred_s           time with the lever pulled, moving, in a state that leaves all; of that, with nothing
                                 allowed and nothing given
    since_open_s                 time since the pack's main switch was last seen open, 0 while braking; absent when it
                                 never was
"""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.metrics.pack_energy import GAIN, ZERO_A
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.brake_lost import barred, dropout
from herdbook.pipeline.metrics.shared.braking_samples import OFF_PCT, Samples, across, collect, envelope_of, settled
from herdbook.pipeline.metrics.shared.motors import total_current
from herdbook.pipeline.metrics.shared.road_vehicle import road_vehicle
from herdbook.pipeline.science.brake_limits import Envelope, shares, split_shortfall
from herdbook.pipeline.science.brake_response import Delays, Track, response_s
from herdbook.pipeline.science.meta_analysis import Z95, t95
from herdbook.pipeline.science.road import level_decel
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.science.stretches import extremes, longest_s, means, slopes, sums
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.roles import ROLES, SIDES
from herdbook.pipeline.vehicle.signals import Series, Signals

EARLY_S = 1.5
IDLE_C, LEAST_IDLE = 0.05, 20  # of rated charge: no current to speak of; readings of it (engineering choices)
LEAST_SIDE_A = 3.0  # torque current of both motors' middle under which their sides are not compared
CLOSED = float(ROLES["contactor_state"].states.index("closed"))
FRAMES_COUNT = 4  # brakings, as which the known width of a frame counts in an error: engineering choice
CLOCK_S = 0.002  # when a controller measured within its own cycle is the same in every braking: engineering choice
TOLERANCE_OF_LEAST, TOLERANCE_SHARE = 0.33, 0.08  # current sensors of two units, 1 A of 3; engineering choice


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    samples = collect(signals, profile)
    if samples is None:
        return Outcome((Metric("braking_count", 0.0, "1"),))
    envelope = envelope_of(profile)
    delays = _response(samples, signals, envelope)
    timed = delays.seconds[np.isfinite(delays.seconds)]
    delay = median(timed) if timed.size else np.nan
    steady = settled(samples, signals, delay)
    with np.errstate(invalid="ignore"):
        judged = steady & (samples.demand_a >= samples.least_a) & np.isfinite(samples.delivered_a)
    table = (
        _demand(samples)
        | {"response_s": delays.seconds, "response_frame_s": delays.frame_s}
        | _delivery(samples, envelope, judged)
        | _sides(samples, steady)
        | _voltages(samples, profile, judged, _idle_gap(signals, profile))
        | dropout(samples, envelope, delay)
        | barred(samples, envelope)
        | _switch(samples, signals)
        | _decel(samples, signals, profile)
    )
    return Outcome((*_metrics(samples, table), *_delay(delays)), _events(samples, table))


def _demand(s: Samples) -> dict[str, Floats]:
    e = s.events
    return {
        "demand_pct": means(s.demand_pct, e),
        "demand_max_pct": extremes(s.demand_pct, e),
        "speed_start_ms": s.state.speed_ms[e.first],
        "speed_end_ms": s.state.speed_ms[e.last],
        "soc_pct": means(s.state.soc_pct, e),
        "cell_max_v": extremes(s.state.cell_max_v, e),
        "cell_min_c": extremes(s.state.cell_min_c, e, largest=False),
        "cell_max_c": extremes(s.state.cell_max_c, e),
        "charge_limit_a": means(s.charge_limit_a, e),
    } | ({"learned": np.ones(len(e))} if s.learned else {})


def _response(s: Samples, signals: Signals, envelope: Envelope) -> Delays:
    """Half of the largest target within the first EARLY_S of each braking, in frames of demand and delivery."""
    with np.errstate(invalid="ignore"):
        fast = ~(s.state.speed_ms < envelope.fade_ms)
    sizes = s.events.last - s.events.first + 1
    early = s.t - np.repeat(s.t[s.events.first], sizes) <= EARLY_S * 1e6
    peak = extremes(np.where(early & fast, np.fmin(s.demand_a, s.allowed_a), np.nan), s.events)
    with np.errstate(invalid="ignore"):
        half = np.where(peak >= 1.5 * s.least_a, 0.5 * peak, np.nan)
    given = signals.series("regen_current")
    if not len(given):
        pack = signals.series("pack_current")
        given = Series(pack.t, np.clip(-pack.v, 0.0, None))
    tracks = _asked(s, signals), Track(given.t, given.v)
    return response_s(*tracks, half_a=half, start=s.t[s.events.first], end=s.t[s.events.last])


def _asked(s: Samples, signals: Signals) -> Track:
    """Demand in its own frames; a learned one in those of the lever, nothing while it is off."""
    if not s.learned:
        demand = signals.series("regen_demand")
        return Track(demand.t, demand.v)
    lever = signals.series("brake_demand").t
    amps = np.zeros(lever.size)
    amps[np.searchsorted(lever, s.t)] = s.demand_a
    return Track(lever, amps)


def _delivery(s: Samples, envelope: Envelope, judged: Bools) -> dict[str, Floats]:
    e = s.events
    with np.errstate(invalid="ignore", divide="ignore"):
        tolerance = np.fmax(TOLERANCE_OF_LEAST * s.least_a, TOLERANCE_SHARE * s.demand_a)
        allowed = s.allowed_a if s.allowed_known else np.full(s.allowed_a.shape, np.nan)
        parts = split_shortfall(
            s.demand_a, allowed, s.delivered_a, state=s.state, envelope=envelope, tolerance_a=tolerance
        )
        out = {
            "demand_a": means(s.demand_a, e, judged),
            "allowed_a": means(s.allowed_a, e, judged),
            "delivered_a": means(s.delivered_a, e, judged),
            "state_share": means(np.prod(list(shares(s.state, envelope).values()), axis=0), e, judged),
            "settled_s": sums(np.where(judged, s.dt_s, 0.0), e),
            "power_w": means(s.delivered_a * s.pack_v, e),
            "energy_wh": sums(s.delivered_a * s.pack_v * s.dt_s, e) / 3600.0,
        }
        out["ratio"] = out["delivered_a"] / out["demand_a"]
        out |= {f"short_{name}_a": means(part, e, judged) for name, part in parts.items()}
    out["short_a"] = np.add.reduce([out[f"short_{name}_a"] for name in parts])
    return out


def _sides(s: Samples, steady: Bools) -> dict[str, Floats]:
    absent = np.full(s.t.shape, np.nan)
    left, right = (means(s.side_a.get(side, absent), s.events, steady) for side in SIDES)
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = 0.5 * (left + right)
        asymmetry = np.where(middle >= LEAST_SIDE_A, np.abs(left - right) / middle, np.nan)
    front, rear = (means(s.side_a.get(end, absent), s.events, steady) for end in ("front", "rear"))
    return {"left_a": left, "right_a": right, "asymmetry": asymmetry, "front_a": front, "rear_a": rear}


def _idle_gap(signals: Signals, profile: Profile) -> float:
    """Link over pack [V] while next to no current flows and the brake is off: what two sensors differ by; NaN where it
    was not seen."""
    items = signals.items("dc_link_voltage")
    if not items:
        return np.nan
    link = signals.series("dc_link_voltage", items[0])
    idle = np.abs(signals.at(link.t, "pack_current", hold_s=0.5)) < IDLE_C * profile.pack_figures.size_ah
    # a gentle braking of a small pack is no more than that, and what is sought is there already
    for ago in (0, 1_000_000):
        idle &= ~(signals.at(link.t - ago, "brake_demand", hold_s=1.0) > OFF_PCT)
    gap = across(signals, link.t, "dc_link_voltage", np.fmax, 1.0) - signals.at(link.t, "pack_voltage", hold_s=1.0)
    known = gap[idle & np.isfinite(gap)]
    return median(known) if known.size >= LEAST_IDLE else np.nan


def _voltages(s: Samples, profile: Profile, judged: Bools, idle_v: float) -> dict[str, Floats]:
    out = {"pack_v_max": extremes(s.pack_v, s.events), "link_v_max": extremes(s.link_v, s.events)}
    out["link_rise_v"] = means(s.link_v - s.pack_v, s.events, judged)
    out["link_idle_v"] = np.where(np.isfinite(out["link_rise_v"]), idle_v, np.nan)
    for name, volts in (("pack", s.pack_v), ("link", s.link_v)):
        limit = over_voltage_limit(profile, name)
        if limit is not None and np.isfinite(out[f"{name}_v_max"]).any():
            with np.errstate(invalid="ignore"):
                out[f"{name}_over_s"] = longest_s(s.t, volts > limit, s.events)
    return out


def over_voltage_limit(profile: Profile, where: str) -> float | None:
    """Volts at the pack or the DC link that must not be passed: the profile's pack_max_v or dc_link_max_v,
    else groups x highest group voltage (the link: 5 % more, for ripple; engineering choice). None when
    neither is known."""
    pack = profile.pack_figures
    own = pack.pack_max_v if where == "pack" else profile.drive_figures.dc_link_max_v
    if own is not None:
        return own
    if pack.cells is None or pack.cell_max_v is None:
        return None
    return pack.cells * pack.cell_max_v * (1.0 if where == "pack" else 1.05)


def _switch(s: Samples, signals: Signals) -> dict[str, Floats]:
    """An open main switch leaves braking current no place to go, whether or not current flowed when it opened."""
    state = signals.series("contactor_state")
    away = state.t[np.isfinite(state.v) & (state.v != CLOSED)]
    if not away.size:
        return {}
    late = int(median(np.diff(state.t))) if state.t.size > 1 else 0  # the state is told once a cycle
    k = np.searchsorted(away, s.t[s.events.last] + late, side="right") - 1
    since = (s.t[s.events.first] - away[np.maximum(k, 0)]) / 1e6
    return {"since_open_s": np.where(k >= 0, np.maximum(since, 0.0), np.nan)}


def _decel(s: Samples, signals: Signals, profile: Profile) -> dict[str, Floats]:
    """From the speed's own samples, so that repeated values do not make the error look small."""
    speed, car = signals.series("vehicle_speed"), road_vehicle(profile)
    i = np.searchsorted(s.t[s.events.first], speed.t, side="right") - 1
    inside = (i >= 0) & (speed.t <= s.t[s.events.last][np.maximum(i, 0)])
    slope, se = slopes(speed.t, speed.v, np.where(inside, i, -1).astype(np.int64), len(s.events))
    out = {"decel_ms2": -slope, "decel_se_ms2": se}
    if car.known and not np.isnan(car.rolling):
        amps = -total_current(s.side_a, profile)
        out["level_decel_ms2"] = means(level_decel(car, s.state.speed_ms, amps), s.events)
        out["rest_ms2"] = out["decel_ms2"] - out["level_decel_ms2"]
    return out


def _events(s: Samples, table: dict[str, Floats]) -> tuple[Event, ...]:
    starts, ends = s.t[s.events.first].tolist(), s.t[s.events.last].tolist()
    columns = {name: values.tolist() for name, values in table.items()}
    return tuple(
        Event("braking", a, b, "", {k: v[i] for k, v in columns.items() if v[i] == v[i]})
        for i, (a, b) in enumerate(zip(starts, ends, strict=True))
    )


def _metrics(s: Samples, table: dict[str, Floats]) -> tuple[Metric, ...]:
    n = len(s.events)
    out = [Metric("braking_count", float(n), "1", n=n)]
    with np.errstate(invalid="ignore"):
        judged = table["settled_s"] >= 0.2
    out.append(Metric("braking_judged_count", float(judged.sum()), "1", n=n))
    if np.isfinite(table["energy_wh"]).any():
        covered = float(np.isfinite(s.delivered_a * s.pack_v).mean())
        energy = float(table["energy_wh"].sum())
        zero = ZERO_A * float(np.nansum(s.pack_v * s.dt_s)) / 3600.0
        out.append(
            Metric("regen_energy_wh", energy, "Wh", se=float(np.hypot(GAIN * energy, zero)), n=n, coverage=covered)
        )
    if judged.any():
        ratio = table["ratio"][judged]
        se = float(np.std(ratio, ddof=1) / np.sqrt(ratio.size)) if ratio.size > 1 else None
        out.append(Metric("regen_ratio", float(np.mean(ratio)), "1", se, int(ratio.size)))
        if not s.learned:  # what a lever usually gets cannot be missing
            missing = (table["short_undelivered_a"] + table["short_unreasoned_a"])[judged]
            with np.errstate(invalid="ignore", divide="ignore"):
                explained = table["short_a"][judged] - missing
                share = 1.0 - ratio - explained / table["demand_a"][judged]
            out.append(Metric("regen_missing_share", median(share), "1", se, int(share.size)))
    sided = table["asymmetry"][np.isfinite(table["asymmetry"])]
    if sided.size:
        out.append(Metric("braking_sided_count", float(sided.size), "1", n=int(sided.size)))
    out += front_share(table)
    tops = {name: table[f"{name}_v_max"] for name in ("pack", "link")}
    known = {name: v for name, v in tops.items() if np.isfinite(v).any()}
    out += [Metric(f"braking_{name}_v_max", float(np.nanmax(v)), "V", n=n) for name, v in known.items()]
    return tuple(out)


def front_share(table: dict[str, Floats]) -> list[Metric]:
    """What the front motor's current is of both motors', median over braking events strong enough for two."""
    whole = table["front_a"] + table["rear_a"]
    with np.errstate(invalid="ignore"):
        share = (table["front_a"] / whole)[whole >= 2.0 * LEAST_SIDE_A]
    if not share.size:
        return []
    n = int(share.size)
    se = 1.2533 * t95(n - 1) / Z95 * float(np.std(share, ddof=1) / np.sqrt(n)) if n > 1 else None
    return [Metric("braking_front_share", median(share), "1", se, n)]


def _delay(delays: Delays) -> tuple[Metric, ...]:
    """Middle over the brakings. Its error is their scatter, in which what frames leave open is seen already; where few
    tell the scatter, what frames leave open stands in for FRAMES_COUNT more of them. Student's factor is for what was
    estimated alone (F. Satterthwaite, Biometrics Bull. 2 (1946) 110)."""
    known = np.isfinite(delays.seconds)
    n = int(known.sum())
    if not n:
        return ()
    seen = (n - 1) * float(np.var(delays.seconds[known], ddof=1)) if n > 1 else 0.0
    given = FRAMES_COUNT * median(delays.se[known]) ** 2
    middle_of = 1.2533 if n > 2 else 1.0
    factor = t95((n - 1) * ((seen + given) / seen) ** 2) / Z95 if seen > 0 else 1.0
    own = factor * middle_of * np.sqrt((seen + given) / (n - 1 + FRAMES_COUNT) / n)
    se = float(np.hypot(own, CLOCK_S))
    return (Metric("brake_response_s", median(delays.seconds[known]), "s", se, n),)


SET = MetricSet(
    id="braking",
    subject=Subject.BRAKING,
    needs=("brake_demand",),
    kinds=("ride", "bench"),
    compute=compute,
    gives={
        "braking_count": ("1", "Braking events of at least 0.4 s."),
        "braking_judged_count": (
            "1",
            "Braking events with demand and delivery known for at least 0.2 s once settled.",
        ),
        "regen_energy_wh": ("Wh", "Energy given back to the pack in braking events."),
        "regen_ratio": ("1", "Delivered over demanded regeneration current, mean over braking events."),
        "regen_missing_share": ("1", "Of the demand: neither delivered nor explained, median over braking events."),
        "brake_response_s": ("s", "Delay from demand to delivery at half height, median over braking events."),
        "braking_sided_count": ("1", "Braking events in which both motors' braking current is known."),
        "braking_front_share": ("1", "Front motor's part of both motors' braking current, median over braking events."),
        "braking_pack_v_max": ("V", "Highest pack voltage while braking."),
        "braking_link_v_max": ("V", "Highest DC-link voltage while braking."),
    },
    version=14,  # what a brake bars; whether one that let go came back; no braking in the link's idle
    source="definitions: this file; 0.36 s delay: the 0.1 V term of motorcycle rules' stopping distance",
)
