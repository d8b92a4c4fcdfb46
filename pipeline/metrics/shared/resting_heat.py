"""What the temperatures of a resting pack tell: how fast it and its places warm without load, against the most that air
and sun can do, and the heat that holds it above the air."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Integers
from herdbook.pipeline.metrics.shared.heat_grid import STEP_S, Grid, bridged, filled, middle_of, pack_body
from herdbook.pipeline.science.heat import HeatRise, relax, rise, within_steps
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric

ROUNDED = 0.5  # sqrt(2 / 12) of a step, and a fifth for the line through all of it
QUIET_SHARE = 0.1  # C/10 makes a hundredth of the heat of 1C, under 0.01 K/min: engineering choice
SETTLED_BINS = 60  # ten minutes after the last load heat has evened out inside the pack; engineering choice
LONG_BINS = 120  # slope over twenty minutes
SHORT_BINS, SHORT_SETTLED_BINS = 60, 30  # ten minutes, five after the load, where no rest lasts longer; as above
MOST_BINS, END_BINS = 360, 12  # an hour; two minutes
# What a resting pack may do by itself. Warmest place by night, hours of it; how wrong its time constant may be, either
# way; air beside its sensor; in the sun, 45 W taken up by a pack of 8.6 kJ/K (our demo board's), its face with the
# power 2/3 of its mass: engineering choices, the rate in the sun by calculation from them.
WARMEST_C, NIGHT_H, TAU_WRONG, AIR_ERROR_K = 35.0, (22, 4), 2.0, 2.0
SUN_K_MIN, SUN_J_PER_K = 0.31, 8600.0
AHEAD_BINS, FEWEST, LEAST_KNOWN = (15, 180), 6, 0.9  # 2.5 to 30 minutes; readings; share of the current's bins
LEVEL_BINS = 180  # half an hour
LEAST_RATE = 0.03  # K/min; slower is no event (engineering choice)
LEAST_SCATTER_K = 0.06  # readings in steps of 0.2 K scatter by 0.2 / sqrt(12) at least


def idle_rises(
    grid: Grid, sensors: dict[str, Floats], pack: Floats, square: Floats, profile: Profile, step: float, own_air: Floats
) -> tuple[list[Metric], tuple[Event, ...]]:
    """Fastest warming without load over the windows that the longest rest has room for: of the whole pack, over what
    air and sun can do, and of each sensor against the others."""
    limit = QUIET_SHARE * profile.pack_figures.size_ah
    run = run_length(square < limit * limit)  # NaN: not known to be quiet
    metrics: list[Metric] = []
    events: list[Event] = []
    towards, sun = _passive(grid, pack, own_air, profile)
    passive = towards + sun
    against = against_others(sensors) if len(sensors) != 2 else _against_twin(sensors)
    for bins, settled in _windows(int(run.max(initial=0))):
        whole = run[bins - 1 :] >= bins + settled  # quiet over the window and some minutes before it
        first = not metrics  # shortest window: what is told as a figure
        for item, track in {"": pack, **(against if first else {})}.items():
            rate, se = slopes(track, bins, step)
            rate = np.where(whole, rate, np.nan)
            if item and len(sensors) == 2:  # with one other sensor, that it cools is not that this one warms
                rate = np.minimum(rate, 2.0 * slopes(sensors[item], bins, step)[0])
            if not np.isfinite(rate).any():
                continue
            done = _over(passive, bins) if not item else np.zeros(rate.shape)
            shine = _over(sun, bins)
            top = int(np.nanargmax(rate - done))
            fastest = float(np.nanmax(rate))
            if first:
                metrics.append(Metric("cell_idle_rise_k_min", fastest, "K/min", se, int(whole.sum()), item=item))
            tops = {int(np.nanargmax(rate)), top}
            events += [
                _idle_event(
                    grid, sensors, square, track, at=at, bins=bins, item=item, rate=rate, se=se, done=done, sun=shine
                )
                for at in sorted(tops)
                if rate[at] - min(float(done[at]), 0.0) > LEAST_RATE
            ]
    return metrics, tuple(events)


def _over(v: Floats, bins: int) -> Floats:
    """Mean over so many bins from each on."""
    return np.convolve(v, np.full(bins, 1.0 / bins), "valid")


def _windows(longest: int) -> list[tuple[int, int]]:
    """(bins of a window, bins without load before it) that a rest of so many bins has room for, shortest first."""
    if longest < LONG_BINS + SETTLED_BINS:
        room = longest - SHORT_SETTLED_BINS
        # the last reading comes before the end
        return [(max(room - END_BINS, SHORT_BINS), SHORT_SETTLED_BINS)] if room >= SHORT_BINS else []
    hours = min(longest - SETTLED_BINS, MOST_BINS)
    return [(LONG_BINS, SETTLED_BINS), *([(hours, SETTLED_BINS)] if hours >= 2 * LONG_BINS else [])]


def _idle_event(
    grid: Grid,
    sensors: dict[str, Floats],
    square: Floats,
    track: Floats,
    *,
    at: int,
    bins: int,
    item: str,
    rate: Floats,
    se: float,
    done: Floats,
    sun: Floats,
) -> Event:
    a, b = (grid.start + int((at + k) * STEP_S * 1e6) for k in (0, bins))
    amps = float(np.sqrt(np.nanmax(square[at : at + bins])))
    minutes = bins * STEP_S / 60.0
    data = {"rate_k_min": float(rate[at]), "se_k_min": se, "rise_k": float(rate[at]) * minutes, "current_a": amps}
    if item:
        data["spread_k"] = _warmer(sensors, item, at)
    else:
        later = slopes(track, bins // 2)[0][at + bins // 2 :]
        data |= {"passive_k_min": float(done[at]), "sun_k_min": float(sun[at]), "late_k_min": float(later[0])}
    return Event("idle_rise", a, b, item, data)


def _passive(grid: Grid, pack: Floats, own_air: Floats, profile: Profile) -> tuple[Floats, Floats]:
    """Fastest warming of a pack without heat of its own, by bin [K/min]: towards the warmest air there can be, above
    which it must cool, be it packed ever so well; and by day in the sun."""
    body = pack_body(profile)
    zone, t = profile.vehicle_figures.zone, grid.start / 1e6 + STEP_S * np.arange(grid.n)
    hour = np.array([datetime.fromtimestamp(x, ZoneInfo(zone)).hour for x in t]) if zone else np.full(grid.n, 12)
    night = (hour >= NIGHT_H[0]) | (hour < NIGHT_H[1])
    measured = np.isfinite(own_air).any()
    air = filled(own_air) + AIR_ERROR_K if measured else np.full(grid.n, WARMEST_C)
    air = np.where(night, air, np.maximum(air, WARMEST_C))
    apart = air - filled(bridged(pack))
    minutes = body.tau_s / 60.0
    towards = np.where(apart > 0, apart / (minutes / TAU_WRONG), apart / (minutes * TAU_WRONG))
    sun = SUN_K_MIN * (SUN_J_PER_K / body.capacity) ** (1.0 / 3.0)
    return np.asarray(towards), np.where(night, 0.0, sun)


def _against_twin(sensors: dict[str, Floats]) -> dict[str, Floats]:
    (one, first), (two, second) = sensors.items()
    return {one: first - second, two: second - first}


def idle_level(
    grid: Grid, sensors: dict[str, Floats], pack: Floats, air: Floats, square: Floats, profile: Profile
) -> tuple[list[Metric], tuple[Event, ...]]:
    """Heat inside the pack while it rests, in the longest stretch without load: a pack without heat of its
    own goes towards the air with its time constant; what it does not lose is fitted as a constant power."""
    limit = QUIET_SHARE * profile.pack_figures.size_ah
    run = run_length(square < limit * limit)
    last = int(np.argmax(run))
    first = last - int(run[last]) + 1 + SETTLED_BINS
    if last - first + 1 < LEVEL_BINS:
        return [], ()
    span = slice(first, last + 1)
    body = pack_body(profile)
    fit = _steady_heat(bridged(pack)[span], air[span], body.tau_s)
    # Heat stored in one place spreads for an hour after the load: the middle sensor warms, the mean of all does not.
    mean = _steady_heat(np.mean([bridged(v)[span] for v in sensors.values()], axis=0), air[span], body.tau_s)
    if fit is None:
        return [], ()
    if mean is not None and mean.ratio < fit.ratio:
        fit = mean
    watts, se = fit.ratio * body.loss, fit.se * body.loss
    lead = {item: float(np.nanmedian(v[span])) for item, v in against_others(sensors).items()}
    ahead = max(lead, key=lambda item: lead[item]) if lead else ""
    metrics = [Metric("pack_idle_heat_w", watts, "W", se, fit.n, item=ahead)]
    a, b = (grid.start + int(k * STEP_S * 1e6) for k in (first, last + 1))
    data = {"heat_w": watts, "se_w": se, "level_k": fit.ratio, "lead_k": lead.get(ahead, 0.0)}
    events = (Event("idle_heat", a, b, ahead, data),) if watts > 3.0 * se and watts > 0 else ()
    return metrics, events


def _steady_heat(measured: Floats, air: Floats, tau_s: float) -> HeatRise | None:
    """Level above the air [K] that a constant heat would hold this track at."""
    known = measured[np.isfinite(measured)]
    if known.size < LEVEL_BINS // 2:
        return None
    start = median(known[:12])
    passive = within_steps(relax(air, STEP_S, tau_s, start), start)
    grow = 1.0 - np.exp(-(np.arange(measured.size) + 0.5) * STEP_S / tau_s)
    return rise(measured, passive, grow, STEP_S)


def _warmer(sensors: dict[str, Floats], item: str, at: int) -> float:
    """Warmest other sensor over this one [K], 0 when none is, over the two minutes from bin `at` on."""
    now = {k: v[at : at + 12][np.isfinite(v[at : at + 12])] for k, v in ((k, bridged(v)) for k, v in sensors.items())}
    others = [median(v) for k, v in now.items() if k != item and v.size]
    return max(max(others) - median(now[item]), 0.0) if others and now[item].size else 0.0


def slopes(track: Floats, bins: int = LONG_BINS, step: float = 0.0) -> tuple[Floats, float]:
    """Straight-line slope over so many bins from each bin on [K/min], and the standard error of one of them.

    The error is the scatter between neighbouring readings, spread over the readings that a window really has, and what
    rounding to `step` does to its ends.
    """
    x = np.arange(bins) - 0.5 * (bins - 1)
    per_bin = np.convolve(bridged(track), x[::-1], "valid") / float(x @ x)
    known = track[np.isfinite(track)]
    if known.size < 3:
        return np.full(per_bin.shape, np.nan), np.nan
    scatter = max(1.2533 * float(np.mean(np.abs(np.diff(known)))) / np.sqrt(2.0), LEAST_SCATTER_K)
    readings = max(known.size * bins / track.size, 2.0)
    minutes = bins * STEP_S / 60.0
    # a slow track is rounded the same way for minutes: its two ends are wrong by a step's standard deviation each
    rounded = ROUNDED * step / minutes
    return per_bin * 60.0 / STEP_S, float(np.hypot(scatter * np.sqrt(12.0 / readings) / minutes, rounded))


def run_length(on: Bools) -> Integers:
    """For each bin, for how many bins up to and with it `on` has held."""
    i = np.arange(on.size)
    last_off = np.maximum.accumulate(np.where(on, -1, i))
    return np.asarray(i - last_off)


def against_others(sensors: dict[str, Floats]) -> dict[str, Floats]:
    if len(sensors) < 3:
        return {}
    return {item: own - middle_of({k: v for k, v in sensors.items() if k != item}) for item, own in sensors.items()}


def ahead_of_others(sensors: dict[str, Floats], square: Floats, size_ah: float, step: float) -> list[Metric]:
    """How fast each place warms ahead of the others in the first half hour, and the load meanwhile: heat that no load
    makes is there in every session, whatever was asked of the pack."""
    span = slice(0, AHEAD_BINS[1])
    load = square[span]
    known = np.isfinite(load)
    if load.size < AHEAD_BINS[0] or known.mean() < LEAST_KNOWN:
        return []
    out = []
    for item, track in against_others(sensors).items():
        y = track[span]
        ok = np.flatnonzero(np.isfinite(y))
        if ok.size < FEWEST or np.ptp(ok) < AHEAD_BINS[0] - END_BINS:
            continue
        x = ok - ok.mean()
        rate = float(x @ y[ok]) / float(x @ x)
        left = y[ok] - y[ok].mean() - rate * x
        scatter = np.sqrt(float(left @ left) / (ok.size - 2) / float(x @ x)) * 60.0 / STEP_S
        rounded = np.sqrt(2.0) * ROUNDED * step / (np.ptp(ok) * STEP_S / 60.0)
        se = float(np.hypot(2.0 * scatter, rounded))  # neighbouring readings say the same: engineering choice
        out.append(Metric("cell_ahead_k_min", rate * 60.0 / STEP_S, "K/min", se, int(ok.size), item=item))
    if out:
        out.append(Metric("pack_load_square", float(load[known].mean()) / size_ah**2, "1", n=int(known.sum())))
    return out
