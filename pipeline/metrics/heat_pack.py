"""Pack heat: how far it warmed, how far its load explains that, and whether it warms with no load at all.

Event "idle_rise": a pack or one sensor warming while next to no current flows. Data: rate_k_min and se_k_min
(for one sensor: against the others), rise_k, current_a (largest of the stretch), spread_k (for one sensor: how
much warmer another place was when the stretch began, whose heat may be on its way to this one).
Event "idle_heat" (item: the sensor furthest ahead): heat inside a resting pack. Data: heat_w, se_w, level_k
(how far above the air it would settle), lead_k (that sensor over the others).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats, Integers
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.frozen_sensor import frozen, resolution
from herdbook.pipeline.metrics.shared.heat_grid import STEP_S, Grid, ambient, bridged, filled, middle_of, pack_body
from herdbook.pipeline.metrics.shared.heat_grid import covered as coverage
from herdbook.pipeline.science.arrhenius import resistance_factor
from herdbook.pipeline.science.heat import HeatRise, relax, rise, within_steps
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

LEAST_BINS = 30  # five minutes
LEAST_COVERAGE = 0.95  # of the current: heat through a hole in the record is unknown; engineering choice
LEAST_EXPLAINED_K = 0.5  # a smaller rise is within a sensor's steps
RAIL_C = (-38.0, 120.0)
EDGES_C = (-20.0, 0.0, 10.0, 25.0, 35.0, 45.0, 50.0, 60.0)
IDLE_SHARE = 0.05  # of rated Ah, in A: C/20
SETTLED_BINS = 60  # ten minutes after the last load heat has evened out inside the pack; engineering choice
LONG_BINS = 120  # slope over twenty minutes
SHORT_BINS, SHORT_SETTLED_BINS = 60, 30  # ten minutes, five after the load, where no rest lasts longer; as above
LEVEL_BINS = 180  # half an hour
LOAD_BINS = 30  # slope under load over five minutes: a ride may be short
LEAST_RATE = 0.03  # K/min; slower is no event
ROUNDED = 0.5  # sqrt(2 / 12) of a step, and a fifth for the line through all of it
LARGEST_STEP_K = 2.0  # one that moved but once shows a large step (engineering choice)
LEAST_SCATTER_K = 0.06  # readings in steps of 0.2 K scatter by 0.2 / sqrt(12) at least


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    grid = Grid.of(session)
    sensors = {item: v for item, v in grid.all(signals, "cell_temp").items() if not _at_rail(v)}
    sensors = _moving(sensors, {str(item): signals.series("cell_temp", item) for item in signals.items("cell_temp")})
    if not sensors or grid.n < 1:
        return Outcome()
    pack = middle_of(sensors)
    covered = max(coverage(signals, signals.series("cell_temp", i), session) for i in signals.items("cell_temp"))
    metrics = _extremes(sensors, covered) + _exposure(pack, covered)
    air = ambient(grid, signals, pack)
    metrics.append(Metric("ambient_known", float(air is not None), "1", n=grid.n))
    if air is not None:
        metrics.append(Metric("ambient_c", float(air.mean()), "degC", n=grid.n, coverage=covered))
    if grid.n < LEAST_BINS:
        return Outcome(tuple(metrics))
    square = bridged(grid.means(signals, "pack_current", square=True), 30.0)
    step = min(
        max(resolution(signals.series("cell_temp", item)) for item in signals.items("cell_temp")), LARGEST_STEP_K
    )
    if air is not None:
        metrics += _ratio(sensors, pack, air, square=square, profile=profile, step=step)
    metrics += _load_rise(sensors, pack, square, profile=profile, covered=covered, step=step)
    square = bridged(square, 400.0)  # a sleeping bus says seldom that nothing flows
    idle_metrics, events = _idle(grid, sensors, pack, square=square, profile=profile, step=step)
    known = profile.pack_figures.given("heat_capacity_j_per_k", "heat_loss_w_per_k")  # a guess would pass for heat
    if known and air is not None and np.isfinite(grid.means(signals, "ambient_temp")).any():
        level, warm = _idle_level(grid, sensors, pack, air=air, square=square, profile=profile)
        idle_metrics, events = idle_metrics + level, events + warm
    return Outcome((*metrics, *idle_metrics), events)


def _at_rail(v: Floats) -> bool:
    """An open or shorted sensor: most of its time at one value beyond what a pack can be at and still send, but for
    noise and interference."""
    known = v[np.isfinite(v)]
    beyond = known[(known >= RAIL_C[1]) | (known <= RAIL_C[0])]
    return beyond.size > 0.5 * known.size and float(np.ptp(np.percentile(beyond, (10.0, 90.0)))) < 3.0


def _moving(sensors: dict[str, Floats], series: dict[str, Series]) -> dict[str, Floats]:
    """Without the frozen ones, as long as two are left."""
    others = {item: {k: v for k, v in sensors.items() if k != item} for item in sensors}
    kept = {
        item: v
        for item, v in sensors.items()
        if not others[item] or not frozen(series[item], [series[k] for k in others[item]], middle_of(others[item]))
    }
    return kept if len(kept) >= 2 else sensors


def _extremes(sensors: dict[str, Floats], covered: float) -> list[Metric]:
    """From means over ten seconds: a single bad sample does not make an extreme."""
    stack = np.stack(list(sensors.values()))
    n = int(np.isfinite(stack).sum())
    out = [
        Metric("cell_temp_max_c", float(np.nanmax(stack)), "degC", n=n, coverage=covered),
        Metric("cell_temp_min_c", float(np.nanmin(stack)), "degC", n=n, coverage=covered),
    ]
    full = stack[:, np.isfinite(stack).all(axis=0)]
    if len(stack) > 1 and full.shape[1]:
        spread = float(np.percentile(full.max(axis=0) - full.min(axis=0), 95))
        out.append(Metric("cell_temp_spread_k", spread, "K", n=full.shape[1], coverage=covered))
    return out


def _exposure(pack: Floats, covered: float) -> list[Metric]:
    known = bridged(pack)
    known = known[np.isfinite(known)]
    counts, _ = np.histogram(known, bins=np.array([-np.inf, *EDGES_C, np.inf]))
    return [
        Metric("cell_temp_exposure_h", float(c) * STEP_S / 3600.0, "h", n=int(c), coverage=covered, item=name)
        for name, c in zip(_names(), counts, strict=True)
        if c
    ]


def _names() -> list[str]:
    inner = [f"{a:g}..{b:g}" for a, b in pairwise(EDGES_C)]
    return [f"under {EDGES_C[0]:g}", *inner, f"over {EDGES_C[-1]:g}"]


def _ratio(
    sensors: dict[str, Floats], pack: Floats, air: Floats, square: Floats, profile: Profile, step: float
) -> list[Metric]:
    covered = float(np.isfinite(square).mean())
    if covered < LEAST_COVERAGE:
        return []
    body = pack_body(profile)
    warm = filled(pack)
    power = filled(square) * body.ohm * resistance_factor(profile.pack_figures.cell_r_ea_ev, warm)
    explained = within_steps(relax(power / body.loss, STEP_S, body.tau_s))
    if explained.max() < LEAST_EXPLAINED_K:
        return []
    out = []
    rounded = ROUNDED * step / float(explained.max())
    first = median((pack - explained)[np.isfinite(pack)][:6])
    passive = within_steps(relax(air, STEP_S, body.tau_s, first), first)
    fit = rise(pack, passive, explained, STEP_S, body.tau_s)
    if fit is not None:
        out.append(
            Metric("pack_heat_ratio", fit.ratio, "1", se=float(np.hypot(fit.se, rounded)), n=fit.n, coverage=covered)
        )
        out.append(Metric("pack_heat_explained_k", fit.explained_k, "K", n=fit.n, coverage=covered))
        out.append(Metric("pack_heat_rise_k", fit.measured_k, "K", se=fit.residual_k, n=fit.n, coverage=covered))
    level = np.zeros_like(explained)  # the others carry air and rest of the pack, and a sensor's own offset drops out
    for item, apart in _against_others(sensors).items():
        ahead = rise(apart, level, explained, STEP_S)
        if ahead is not None:
            out.append(
                Metric(
                    "pack_heat_ahead",
                    ahead.ratio,
                    "1",
                    se=float(np.hypot(ahead.se, rounded)),
                    n=ahead.n,
                    coverage=covered,
                    item=item,
                )
            )
    return out


def _load_rise(
    sensors: dict[str, Floats], pack: Floats, square: Floats, profile: Profile, covered: float, step: float
) -> list[Metric]:
    """Fastest warming over five minutes whose mean square current is at least C/20: of the pack and each sensor."""
    limit = IDLE_SHARE * profile.pack_figures.size_ah
    loaded = np.convolve(square, np.full(LOAD_BINS, 1.0 / LOAD_BINS), "valid") >= limit * limit  # NaN: not known
    out = []
    for item, track in {"": pack, **sensors}.items():
        rate, se = _slopes(track, LOAD_BINS, step)
        rate = np.where(loaded, rate, -np.inf)
        rate = rate[np.isfinite(rate)]
        if rate.size:
            out.append(
                Metric(
                    "cell_load_rise_k_min",
                    float(rate.max()),
                    "K/min",
                    se=se,
                    n=int(rate.size),
                    coverage=covered,
                    item=item,
                )
            )
    return out


def _idle(
    grid: Grid, sensors: dict[str, Floats], pack: Floats, square: Floats, profile: Profile, step: float
) -> tuple[list[Metric], tuple[Event, ...]]:
    """Fastest warming over twenty minutes without load, over ten where a rest is short: of the whole pack, and of each
    sensor against the others."""
    limit = IDLE_SHARE * profile.pack_figures.size_ah
    quiet = square < limit * limit  # NaN: not known to be quiet
    run = _run_length(quiet)
    bins, settled = LONG_BINS, SETTLED_BINS
    if not run.size or run.max() < bins + settled:  # a short rest tells less surely, and its error says so
        bins, settled = SHORT_BINS, SHORT_SETTLED_BINS
    if not run.size or run.max() < bins + settled:
        return [], ()
    whole = run[bins - 1 :] >= bins + settled  # quiet over the window and some minutes before it
    metrics, events = [], []
    for item, track in {"": pack, **_against_others(sensors)}.items():
        rate, se = _slopes(track, bins, step)
        rate = np.where(whole, rate, np.nan)
        if not np.isfinite(rate).any():
            continue
        top = int(np.nanargmax(rate))
        fastest = float(rate[top])
        metrics.append(Metric("cell_idle_rise_k_min", fastest, "K/min", se, int(whole.sum()), item=item))
        if fastest > LEAST_RATE:
            a, b = (grid.start + int((top + k) * STEP_S * 1e6) for k in (0, bins))
            amps = float(np.sqrt(np.nanmax(square[top : top + bins])))
            rise_k = fastest * bins * STEP_S / 60.0
            data = {"rate_k_min": fastest, "se_k_min": se, "rise_k": rise_k, "current_a": amps}
            if item:
                data["spread_k"] = _warmer(sensors, item, top)
            events.append(Event("idle_rise", a, b, item, data))
    return metrics, tuple(events)


def _idle_level(
    grid: Grid, sensors: dict[str, Floats], pack: Floats, air: Floats, square: Floats, profile: Profile
) -> tuple[list[Metric], tuple[Event, ...]]:
    """Heat inside the pack while it rests, in the longest stretch without load: a pack without heat of its
    own goes towards the air with its time constant; what it does not lose is fitted as a constant power."""
    limit = IDLE_SHARE * profile.pack_figures.size_ah
    run = _run_length(square < limit * limit)
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
    lead = {item: float(np.nanmedian(v[span])) for item, v in _against_others(sensors).items()}
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


def _slopes(track: Floats, bins: int = LONG_BINS, step: float = 0.0) -> tuple[Floats, float]:
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


def _run_length(on: Bools) -> Integers:
    """For each bin, for how many bins up to and with it `on` has held."""
    i = np.arange(on.size)
    last_off = np.maximum.accumulate(np.where(on, -1, i))
    return np.asarray(i - last_off)


def _against_others(sensors: dict[str, Floats]) -> dict[str, Floats]:
    if len(sensors) < 3:
        return {}
    return {item: own - middle_of({k: v for k, v in sensors.items() if k != item}) for item, own in sensors.items()}


SET = MetricSet(
    id="heat_pack",
    subject=Subject.HEAT,
    needs=("cell_temp",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "cell_temp_max_c": ("degC", "Hottest sensor, mean over ten seconds."),
        "cell_temp_min_c": ("degC", "Coldest sensor, mean over ten seconds."),
        "cell_temp_spread_k": ("K", "Hottest less coldest sensor, exceeded in 5 % of the session."),
        "cell_temp_exposure_h": ("h", "Time at the middle cell temperature, by range in °C."),
        "ambient_known": ("1", "1 when the air temperature is measured or the session began cold-soaked."),
        "ambient_c": ("degC", "Air temperature."),
        "pack_heat_ratio": (
            "1",
            "Measured rise over the rise that the profile's figures explain.",
        ),
        "pack_heat_ahead": ("1", "A sensor's rise less that of the others, over the explained rise."),
        "pack_heat_explained_k": ("K", "Largest rise the load explains."),
        "pack_heat_rise_k": ("K", "Rise measured then; its standard error is the spread of the fit."),
        "pack_idle_heat_w": ("W", "Heat made inside the resting pack; item: the sensor furthest ahead of the others."),
        "cell_load_rise_k_min": (
            "K/min",
            "Fastest warming over five minutes under load: the middle, and each sensor.",
        ),
        "cell_idle_rise_k_min": (
            "K/min",
            "Fastest warming over 20 minutes without load; a sensor: against the others.",
        ),
    },
    version=5,  # errors that hold: residuals that hang together, lag, air, coarse steps
    source="lumped model C dT/dt = I2R(T) - h (T - Ta), closed form; Arrhenius resistance",
)
