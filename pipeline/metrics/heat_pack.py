"""Pack heat: how far it warmed, how far its load explains that, and whether it warms with no load at all.

Event "idle_rise": a pack or one sensor warming while next to no current flows. Data: rate_k_min and se_k_min
(for one sensor: against the others), rise_k, current_a (largest of the stretch), spread_k (for one sensor: how
much warmer another place was when the stretch began, whose heat may be on its way to this one); for the pack
passive_k_min (most that air and sun can do, below zero above the warmest air), sun_k_min (the sun's part, 0 by night)
and late_k_min (in the second half).
Event "idle_heat" (item: the sensor furthest ahead): heat inside a resting pack. Data: heat_w, se_w, level_k
(how far above the air it would settle), lead_k (that sensor over the others).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.frozen_sensor import flips, frozen, resolution, steady
from herdbook.pipeline.metrics.shared.heat_grid import STEP_S, Grid, ambient, bridged, filled, middle_of, pack_body
from herdbook.pipeline.metrics.shared.heat_grid import covered as coverage
from herdbook.pipeline.metrics.shared.resting_heat import (
    ROUNDED,
    against_others,
    ahead_of_others,
    idle_level,
    idle_rises,
    slopes,
)
from herdbook.pipeline.science.arrhenius import resistance_factor
from herdbook.pipeline.science.heat import HeatRise, relax, rise, within_steps
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

LEAST_BINS = 30  # five minutes
LEAST_COVERAGE = 0.95  # of the current: heat through a hole in the record is unknown; engineering choice
LEAST_EXPLAINED_K = 0.5  # a smaller rise is within a sensor's steps
# The most that a load which explains less may do with its charger and the reaction's heat; and what is worth telling
# (engineering choices, made after a pack of an outside simulation had been missed: 12 K at little load).
MOST_EXPLAINED_K, SURELY_MORE = 2.5, 1.5
# Between this and LEAST_EXPLAINED_K a ratio has in its error what heat no square of the current tells: a charger beside
# the pack, entropy, sun (engineering choices).
LITTLE_EXPLAINED_K, BESIDE_K = 0.15, 0.3
RAIL_C = (-38.0, 120.0)
EDGES_C = (-20.0, 0.0, 10.0, 25.0, 35.0, 45.0, 50.0, 60.0)
IDLE_SHARE = 0.05  # of rated Ah, in A: C/20
LOAD_BINS = 30  # slope under load over five minutes: a ride may be short
LARGEST_STEP_K = 2.0  # one that moved but once shows a large step (engineering choice)


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    grid = Grid.of(session)
    series = {str(item): signals.series("cell_temp", item) for item in signals.items("cell_temp")}
    sensors = {
        item: v
        for item, v in grid.all(signals, "cell_temp").items()
        if not _at_rail(v) and not flips(series[item].v, *RAIL_C)
    }
    sensors = _moving(sensors, series)
    if not sensors or grid.n < 1:
        return Outcome()
    pack = middle_of(sensors)
    covered = max(coverage(signals, signals.series("cell_temp", i), session) for i in signals.items("cell_temp"))
    metrics = _extremes(sensors, covered) + _exposure(pack, covered)
    air = ambient(grid, signals, pack)
    metrics.append(Metric("ambient_known", float(air is not None), "1", n=grid.n))
    if air is not None:
        metrics.append(Metric("ambient_c", float(air.mean()), "degC", n=grid.n, coverage=covered))
    square = bridged(grid.means(signals, "pack_current", square=True), 30.0)
    step = min(
        max(resolution(signals.series("cell_temp", item)) for item in signals.items("cell_temp")), LARGEST_STEP_K
    )
    metrics += ahead_of_others(sensors, square, profile.pack_figures.size_ah, step)
    if grid.n < LEAST_BINS:
        return Outcome(tuple(metrics))
    if air is not None:
        metrics += _ratio(sensors, pack, air, square=square, profile=profile, step=step)
    metrics += _load_rise(sensors, pack, square, profile=profile, covered=covered, step=step)
    square = bridged(square, 400.0)  # a sleeping bus says seldom that nothing flows
    own_air = grid.means(signals, "ambient_temp")
    idle_metrics, events = idle_rises(grid, sensors, pack, square=square, profile=profile, step=step, own_air=own_air)
    known = profile.pack_figures.given("heat_capacity_j_per_k", "heat_loss_w_per_k")  # a guess would pass for heat
    if known and air is not None and np.isfinite(own_air).any():
        level, warm = idle_level(grid, sensors, pack, air=air, square=square, profile=profile)
        idle_metrics, events = idle_metrics + level, events + warm
    return Outcome((*metrics, *idle_metrics), events)


def _at_rail(v: Floats) -> bool:
    """An open or shorted sensor: most of its time at one value beyond what a pack can be at and still send, but for
    noise and interference."""
    known = v[np.isfinite(v)]
    beyond = known[(known >= RAIL_C[1]) | (known <= RAIL_C[0])]
    return beyond.size > 0.5 * known.size and steady(beyond)


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
        least = _least_ratio(pack, air, explained, step=step, tau_s=body.tau_s)
        return least + _little_ratio(pack, air, explained, step=step, tau_s=body.tau_s)
    out = []
    rounded = ROUNDED * step / float(explained.max())
    fit = _from_air(pack, air, explained, body.tau_s)
    if fit is not None:
        out.append(
            Metric("pack_heat_ratio", fit.ratio, "1", se=float(np.hypot(fit.se, rounded)), n=fit.n, coverage=covered)
        )
        out.append(Metric("pack_heat_explained_k", fit.explained_k, "K", n=fit.n, coverage=covered))
        out.append(Metric("pack_heat_rise_k", fit.measured_k, "K", se=fit.residual_k, n=fit.n, coverage=covered))
    level = np.zeros_like(explained)  # the others carry air and rest of the pack, and a sensor's own offset drops out
    for item, apart in against_others(sensors).items():
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


def _least_ratio(pack: Floats, air: Floats, explained: Floats, step: float, tau_s: float) -> list[Metric]:
    """Where the load explains next to nothing, a charger beside the pack and reaction heat may do more than the
    current: the rise over MOST_EXPLAINED_K at least, told only where that is more than once and a half for certain."""
    top = float(explained.max())
    if top <= 0.0:
        return []
    fit = _from_air(pack, air, explained * MOST_EXPLAINED_K / top, tau_s)
    if fit is None:
        return []
    se = float(np.hypot(fit.se, ROUNDED * step / MOST_EXPLAINED_K))
    if fit.ratio - 2.0 * se < SURELY_MORE:
        return []
    return [Metric("pack_heat_least_ratio", fit.ratio, "1", se=se, n=fit.n)]


def _little_ratio(pack: Floats, air: Floats, explained: Floats, step: float, tau_s: float) -> list[Metric]:
    """The ratio all the same, with what stands beside the load in its error: several such sessions may tell together
    what none of them tells alone."""
    top = float(explained.max())
    fit = _from_air(pack, air, explained, tau_s) if top >= LITTLE_EXPLAINED_K else None
    if fit is None:
        return []
    se = float(np.sqrt(fit.se**2 + (ROUNDED * step / top) ** 2 + (BESIDE_K / top) ** 2))
    return [
        Metric("pack_heat_little_ratio", fit.ratio, "1", se=se, n=fit.n),
        Metric("pack_heat_little_k", top, "K", n=fit.n),
    ]


def _from_air(pack: Floats, air: Floats, explained: Floats, tau_s: float) -> HeatRise | None:
    first = median((pack - explained)[np.isfinite(pack)][:6])
    passive = within_steps(relax(air, STEP_S, tau_s, first), first)
    return rise(pack, passive, explained, STEP_S, tau_s)


def _load_rise(
    sensors: dict[str, Floats], pack: Floats, square: Floats, profile: Profile, covered: float, step: float
) -> list[Metric]:
    """Fastest warming over five minutes whose mean square current is at least C/20: of the pack and each sensor."""
    limit = IDLE_SHARE * profile.pack_figures.size_ah
    loaded = np.convolve(square, np.full(LOAD_BINS, 1.0 / LOAD_BINS), "valid") >= limit * limit  # NaN: not known
    out = []
    for item, track in {"": pack, **sensors}.items():
        rate, se = slopes(track, LOAD_BINS, step)
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


SET = MetricSet(
    id="heat_pack",
    subject=Subject.HEAT,
    of_pack=True,
    needs=("cell_temp",),
    kinds=("ride", "charge", "rest", "bench"),
    compute=compute,
    gives={
        "cell_temp_max_c": ("degC", "Hottest sensor, mean over ten seconds."),
        "cell_temp_min_c": ("degC", "Coldest sensor, mean over ten seconds."),
        "cell_temp_spread_k": ("K", "Hottest less coldest sensor, exceeded in 5 % of the session."),
        "cell_temp_exposure_h": ("h", "Time at the median cell temperature, by range in °C."),
        "ambient_known": ("1", "1 when the air temperature is measured or the session began cold-soaked."),
        "ambient_c": ("degC", "Air temperature."),
        "pack_heat_ratio": (
            "1",
            "Measured rise over the rise that the profile's figures explain.",
        ),
        "pack_heat_least_ratio": ("1", "The same at least, where the load explains under 0.5 K: over 2.5 K."),
        "pack_heat_little_ratio": ("1", "The ratio where the load explains 0.15 to 0.5 K."),
        "pack_heat_little_k": ("K", "Largest rise the load explains there."),
        "pack_heat_ahead": ("1", "A sensor's rise less that of the others, over the explained rise."),
        "pack_heat_explained_k": ("K", "Largest rise the load explains."),
        "pack_heat_rise_k": ("K", "Rise measured then; its standard error is the spread of the fit."),
        "cell_ahead_k_min": ("K/min", "How fast a sensor warmed ahead of the others, over half an hour at most."),
        "pack_load_square": ("1", "Mean square of the current in it, over that of one hour's rate (1C)."),
        "pack_idle_heat_w": ("W", "Heat made inside the resting pack; item: the sensor furthest ahead of the others."),
        "cell_load_rise_k_min": (
            "K/min",
            "Fastest warming over five minutes under load: the median, and each sensor.",
        ),
        "cell_idle_rise_k_min": (
            "K/min",
            "Fastest warming over 20 minutes without load; a sensor: against the others.",
        ),
    },
    version=9,  # without sensors that flip; in 8 ratios of little load
    source="lumped model C dT/dt = I2R(T) - h (T - Ta), closed form; Arrhenius resistance",
)
