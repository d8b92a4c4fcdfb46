"""Heat of motors and power stages: winding warmth against copper loss, extremes, left against right, derating."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.set import MetricSet, Outcome, Subject
from herdbook.pipeline.metrics.shared.heat_grid import STEP_S, Body, Grid, ambient, filled, middle_of, winding_body
from herdbook.pipeline.metrics.shared.heat_grid import covered as coverage
from herdbook.pipeline.science.heat import copper_factor, relax, rise, within_steps
from herdbook.pipeline.science.robust_fit import median
from herdbook.pipeline.science.stretches import means, stretches
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

LEAST_BINS = 18
LEAST_COVERAGE = 0.95
LEAST_EXPLAINED_K = 3.0  # a winding's own sensor lags; smaller rises are within that lag: engineering choice
DERATED_PCT = 98.0
LEAST_DERATED_S = 2.0


def compute(session: Session, signals: Signals, profile: Profile) -> Outcome:
    grid = Grid.of(session)
    windings, stages = grid.all(signals, "motor_temp"), grid.all(signals, "fet_temp")
    metrics = _extremes(session, signals, "motor_temp", windings) + _extremes(session, signals, "fet_temp", stages)
    body = winding_body(profile)
    air = _air(grid, signals)
    if body is not None and air is not None and grid.n >= LEAST_BINS:
        for side, track in windings.items():
            metrics += _ratio(side, track, air, grid.means(signals, "motor_current", side, square=True), body)
    derated, events = _derating(signals)
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


def _derating(signals: Signals) -> tuple[list[Metric], tuple[Event, ...]]:
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
    events = tuple(
        Event("derating", int(a), int(b), "", {"left_pct": float(v), "duration_s": float(d)})
        for a, b, v, d in zip(s.t[runs.first], s.t[runs.last], left, lengths, strict=True)
    )
    return metrics, events


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
        "derated_s": ("s", "Time with torque reduced by the controller, stretches of 2 s and more."),
        "derated_share": ("1", "Share of the recorded time with torque reduced."),
    },
    version=2,  # errors as of heat_pack
    source="copper loss 1.5 R I2 with R = R20 (235 + T) / 255: IEC 60034-1; lumped model, closed form",
)
