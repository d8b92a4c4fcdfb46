"""Heat of motors and power stages: winding warmth against copper loss, extremes, left against right, derating."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.frozen_sensor import resolution
from herdbook.pipeline.metrics.shared.heat_grid import (
    STEP_S,
    Body,
    Grid,
    ambient,
    bridged,
    filled,
    middle_of,
    winding_body,
)
from herdbook.pipeline.metrics.shared.heat_grid import covered as coverage
from herdbook.pipeline.science.heat import copper_factor, relax, rise, within_steps
from herdbook.pipeline.science.robust_fit import median, neighbours_alike
from herdbook.pipeline.science.stretches import means, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_BINS = 18
LEAST_COVERAGE = 0.95
LEAST_EXPLAINED_K = 3.0  # a winding's own sensor lags; smaller rises are within that lag: engineering choice
DERATED_PCT = 98.0
LEAST_DERATED_S = 2.0
ALIVE_STEPS = 2.0  # of its resolution: a sensor that went so far in a ride is not frozen, and its small rise is one
LEAST_ERROR_K = 0.7  # of a rise: the sensor's place, noise, and the road's share of cooling: engineering choice
STAGE_S = 60.0  # power stages on their plate follow the loss within some seconds to minutes: engineering choice
LEAST_STAGE_A2 = 25.0  # of the current's square, smoothed so: less warms nothing that a sensor tells
LEAST_MOVED = 0.1  # of that square's upper end, to be told from level and warmth brought along: engineering choice
STAGE_SHARE = 0.15  # of the figure: one time constant for all and the wind: engineering choice
NEAR_K = 3.0  # the controller reads another sample than the log: engineering choice


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    grid = Grid.of(session)
    windings, stages = grid.all(signals, "motor_temp"), grid.all(signals, "fet_temp")
    metrics = _extremes(session, signals, "motor_temp", windings) + _extremes(session, signals, "fet_temp", stages)
    body = winding_body(profile)
    air = _air(grid, signals)
    if body is not None and air is not None and grid.n >= LEAST_BINS:
        for side, track in windings.items():
            metrics += _ratio(side, track, air, grid.means(signals, "motor_current", side, square=True), body)
    if len(windings) == 2:
        metrics += _sides(grid, signals, windings)
    for side, track in stages.items():
        metrics += _stage(signals, side, track, grid.means(signals, "motor_current", side, square=True))
    derated, events = _derating(signals, profile)
    return Outcome((*metrics, *derated), events)


def _air(grid: Grid, signals: Signals) -> Floats | None:
    cells = grid.all(signals, "cell_temp")
    return ambient(grid, signals, middle_of(cells) if cells else np.full(grid.n, np.nan))


def _extremes(session: Session, signals: Signals, name: str, sides: dict[str, Floats]) -> list[Metric]:
    out = []
    for side, v in sides.items():
        n = int(np.isfinite(v).sum())
        covered = coverage(signals, signals.series(name, side), session)
        out.append(Metric(f"{name}_max_c", float(np.nanmax(v)), "degC", n=n, coverage=covered, item=side))
    if len(sides) == 2:
        left, right = sides.values()
        both = np.isfinite(left) & np.isfinite(right)
        if both.any():
            apart = float(np.percentile(np.abs(left - right)[both], 90))
            out.append(Metric(f"{name}_apart_k", apart, "K", n=int(both.sum()), coverage=float(both.mean())))
    return out


def _ratio(side: str, measured: Floats, air: Floats, square: Floats, body: Body) -> list[Metric]:
    covered = float(np.isfinite(square).mean())
    if covered < LEAST_COVERAGE or np.isfinite(measured).sum() < LEAST_BINS:
        return []
    warm = filled(measured)
    power = filled(square) * body.ohm * copper_factor(warm)
    explained = within_steps(relax(power / body.loss, STEP_S, body.tau_s))
    if explained.max() < LEAST_EXPLAINED_K:
        return []
    first = median((warm - explained)[:3])
    passive = within_steps(relax(air, STEP_S, body.tau_s, first), first)
    fit = rise(measured, passive, explained, STEP_S, body.tau_s)
    if fit is None:
        return []
    return [
        Metric("winding_heat_ratio", fit.ratio, "1", se=fit.se, n=fit.n, coverage=covered, item=side),
        Metric("winding_heat_explained_k", fit.explained_k, "K", n=fit.n, coverage=covered, item=side),
        Metric("winding_heat_rise_k", fit.measured_k, "K", se=fit.residual_k, n=fit.n, coverage=covered, item=side),
    ]


def _stage(signals: Signals, side: str, track: Floats, square: Floats) -> list[Metric]:
    """How far a power stage follows its motor's current, by least squares over the ride: its level and what it brought
    along are free, so that neither air nor the ride before counts. It means something beside other vehicles alone, as
    one time constant stands for all. One reading throughout tells nothing: neither its step is known, nor whether the
    sensor lives."""
    known = np.isfinite(track)
    step = resolution(signals.series("fet_temp", side))
    if known.sum() < LEAST_BINS or float(np.isfinite(square).mean()) < LEAST_COVERAGE or not step:
        return []
    drive = relax(filled(square), STEP_S, STAGE_S)
    top = float(np.percentile(drive[known], 95.0))
    if top < LEAST_STAGE_A2:
        return []
    before = np.exp(-STEP_S * np.arange(drive.size) / STAGE_S)
    free = np.column_stack([np.ones(drive.size), before])[known]
    own, warmth = (y - free @ np.linalg.lstsq(free, y, rcond=None)[0] for y in (drive[known], track[known]))
    square_of = float(own @ own)
    if square_of < own.size * (LEAST_MOVED * top) ** 2:  # a steady current tells nothing that the level does not
        return []
    follows = float(own @ warmth) / square_of
    left = warmth - follows * own
    alike = max(neighbours_alike(left, fitted=3), 0.0)
    alone = max(left.size * (1.0 - alike) / (1.0 + alike), 1.0)
    spread = float(np.hypot(np.sqrt(float(left @ left) / left.size), min(step, 3.0) / np.sqrt(12.0)))
    se = float(np.hypot(spread * np.sqrt(left.size / alone / square_of), STAGE_SHARE * follows))
    n = int(known.sum())
    return [
        Metric("fet_heat_k_per_ka2", 1000.0 * follows, "K/kA2", 1000.0 * se, n, item=side),
        Metric("fet_rise_k", follows * top, "K", se * top, n, item=side),
    ]


def _sides(grid: Grid, signals: Signals, windings: dict[str, Floats]) -> list[Metric]:
    """The one winding's rise over its twin's in the same ride: the same air, the same road, the same maker. What more
    current explains is taken off; a sensor's offset drops out of a rise."""
    tracks = {side: bridged(track) for side, track in windings.items()}
    heat = {side: float(np.nanmean(grid.means(signals, "motor_current", side, square=True))) for side in tracks}
    rises = {}
    for side, track in tracks.items():
        known = track[np.isfinite(track)]
        if known.size < LEAST_BINS or not heat[side] > 0:
            return []
        rises[side] = float(np.percentile(known, 95.0)) - median(known[:3])
    hot, cool = sorted(rises, key=lambda side: rises[side] / heat[side], reverse=True)
    expected = rises[cool] * heat[hot] / heat[cool]
    step = max(resolution(signals.series("motor_temp", side)) for side in tracks)
    error = float(np.hypot(min(step, 3.0) / np.sqrt(6.0), LEAST_ERROR_K))
    if rises[hot] < LEAST_EXPLAINED_K + 2.0 * error:
        return []
    if expected < 2.0 * error and float(np.nanmax(tracks[cool]) - np.nanmin(tracks[cool])) < ALIVE_STEPS * step:
        return []  # its sensor may be frozen
    expected = max(expected, error)  # a twin that warms within its error warms by no more than that
    ratio = rises[hot] / expected
    n = int(min(np.isfinite(track).sum() for track in tracks.values()))
    se = ratio * error * float(np.hypot(1.0 / rises[hot], heat[hot] / heat[cool] / expected))
    return [
        Metric("winding_side_ratio", ratio, "1", se, n, item=hot),
        Metric("winding_side_k", rises[hot] - expected, "K", error, n, item=hot),
    ]


def _derating(signals: Signals, profile: Profile) -> tuple[list[Metric], tuple[Event, ...]]:
    s = signals.series("derate")
    if not len(s):
        return [], ()
    with np.errstate(invalid="ignore"):
        runs = stretches(s.t, s.v < DERATED_PCT, 2.0, 1.0, LEAST_DERATED_S, least_n=3)
    lengths, left = runs.lengths_s(s.t), means(s.v, runs)
    step = np.diff(s.t) / 1e6
    seen = float(step[step <= 2.0].sum())
    total = float(lengths.sum())
    metrics = [Metric("derated_s", total, "s", n=len(runs))]
    if seen > 0:
        metrics.append(Metric("derated_share", total / seen, "1", n=len(s)))
    reason = _reason(signals, profile, s.t[(runs.first + runs.last) // 2])
    events = tuple(
        Event(
            "derating",
            int(a),
            int(b),
            "",
            {"left_pct": float(v), "duration_s": float(d)} | ({"explained": float(r)} if r == r else {}),
        )
        for a, b, v, d, r in zip(s.t[runs.first], s.t[runs.last], left, lengths, reason, strict=True)
    )
    return metrics, events


def _reason(signals: Signals, profile: Profile, t: Times) -> Floats:
    """1 where a winding or power stage is within NEAR_K of where the maker derates, 0 where none is; NaN: not known."""
    out = np.full(t.shape, np.nan)
    drive = profile.drive_figures
    for role, limit in (("motor_temp", drive.winding_derate_c), ("fet_temp", drive.fet_derate_c)):
        if limit is None:
            continue
        for side in signals.items(role):
            hot = signals.at(t, role, side, hold_s=10.0)
            out = np.fmax(out, np.where(np.isfinite(hot), hot >= limit - NEAR_K, np.nan))
    return out


SET = MetricSet(
    id="heat_drive",
    subject=Subject.HEAT,
    needs=("motor_current",),
    kinds=("ride", "bench"),
    compute=compute,
    gives={
        "motor_temp_max_c": ("degC", "Hottest reading of a winding sensor, mean over ten seconds."),
        "fet_temp_max_c": ("degC", "Hottest reading of a power stage sensor, mean over ten seconds."),
        "motor_temp_apart_k": ("K", "Left against right winding, exceeded in 10 % of the session."),
        "fet_temp_apart_k": ("K", "Left against right power stage, exceeded in 10 % of the session."),
        "winding_heat_ratio": ("1", "Measured winding rise over the rise its copper loss explains."),
        "winding_heat_explained_k": ("K", "Largest rise the copper loss explains."),
        "winding_heat_rise_k": ("K", "Rise measured then; its standard error is the spread of the fit."),
        "winding_side_ratio": ("1", "Rise of the hotter winding over its twin's, at equal copper loss."),
        "winding_side_k": ("K", "By how much it rose further than its twin's rise explains."),
        "fet_heat_k_per_ka2": ("K/kA2", "Warmth of a power stage over the square of its motor's current, smoothed."),
        "fet_rise_k": ("K", "Rise of a power stage by its motor's current in the ride, upper end."),
        "derated_s": ("s", "Time with torque reduced by the controller, stretches of 2 s and more."),
        "derated_share": ("1", "Share of the recorded time with torque reduced."),
    },
    version=6,  # in 6 no stage that stands still, in 5 a twin that may be frozen, in 4 stages over their current
    source="copper loss 1.5 R I2 with R = R20 (235 + T) / 255: IEC 60034-1; lumped model, closed form",
)
