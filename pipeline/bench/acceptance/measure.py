"""What a step's checks measure: figures of the metric sets over the step's own stretch of time, or a plain statement on
a role.

Where a step is found several times (a full braking), its value is the mean of all and its error the larger of what the
single errors give and what the values' scatter gives; an error by scatter of k values has k - 1 degrees of freedom.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.bench.acceptance.plan import Check, Step
from herdbook.pipeline.bench.acceptance.step_kind import Scene, Span, Taken, seconds
from herdbook.pipeline.metrics import measure
from herdbook.pipeline.metrics.set import Outcome
from herdbook.pipeline.science.robust_fit import STEP_SD
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

TENTH, MOST_S = 0.1, 10.0  # of a step, for its first and last value


@dataclass(frozen=True, slots=True)
class Place:
    """Where a step was found: its signals there, and what the metric sets say of them."""

    span: Span
    signals: Signals
    outcome: Outcome
    scene: Scene


@dataclass(frozen=True, slots=True)
class Value:
    """One measured value. se: None where it is not known; dof: None where the error itself is well known. coverage:
    share of the time it needs that was recorded. times: how often the step was measured."""

    item: str
    value: float
    se: float | None
    n: int
    coverage: float
    dof: int | None = None
    times: int = 1


def places_of(step: Step, scenes: Sequence[Scene]) -> list[Place]:
    """Where the step is, measured; of a step that is done once the longest place alone."""
    found = [(span, scene) for scene in scenes for span in step.kind.find(scene, step.keys)]
    if step.kind.taken is Taken.LONGEST:
        found = sorted(found, key=lambda f: (-seconds(f[0]), f[0]))[:1]
    out = []
    for span, scene in found:
        signals = scene.signals.between(*span)
        session = Session(signals.vehicle, step.kind.session, *span)
        out.append(Place(span, signals, measure(session, signals, scene.profile), scene))
    return out


def values_of(check: Check, places: Sequence[Place]) -> list[Value]:
    """By item, in the figure's own unit. None for what no place gives."""
    by_item: dict[str, list[Value]] = {}
    for place in places:
        for value in _at(check, place):
            if isfinite(value.value) and check.item in ("", value.item):
                by_item.setdefault(value.item, []).append(value)
    return [_mean(values) for values in by_item.values()]


def mean_of(series: Series) -> tuple[float | None, float | None, int]:
    """(mean, its standard error, readings) of what is known of a series."""
    v = series.v[np.isfinite(series.v)]
    return (*_with_error(v), int(v.size)) if v.size else (None, None, 0)


def recorded(place: Place) -> float:
    """Share of the place's time in which anything was recorded."""
    return next((m.value for m in place.outcome.metrics if m.name == "data_coverage"), 0.0)


def _at(check: Check, place: Place) -> list[Value]:
    if check.source == "metric":
        return [_of_metric(m) for m in place.outcome.metrics if m.name == check.name]
    return [v for item in place.signals.items(check.name) if (v := _of_role(check, place, item)) is not None]


def _of_metric(m: Metric) -> Value:
    return Value(m.item, float(m.value), None if m.se is None else float(m.se), m.n, float(m.coverage))


def _mean(values: list[Value]) -> Value:
    if len(values) == 1:
        return values[0]
    k, first = len(values), values[0]
    x = np.array([v.value for v in values])
    scatter = float(x.std(ddof=1)) / sqrt(k)
    known = [v.se for v in values if v.se is not None]
    inner = sqrt(sum(s * s for s in known)) / k if len(known) == k else 0.0
    se, dof = (scatter, k - 1) if scatter >= inner else (inner, None)
    n, coverage = sum(v.n for v in values), min(v.coverage for v in values)
    return Value(first.item, float(x.mean()), se, n, coverage, dof, k)


def _of_role(check: Check, place: Place, item: int | str) -> Value | None:
    series = place.signals.series(check.name, item)
    known = np.isfinite(series.v)
    t, v = series.t[known], series.v[known]
    if not v.size:
        return None
    coverage = float(known.mean()) * recorded(place)
    value, se = statement(check.take, Series(t, v))
    return None if value is None else Value(str(item), value, se, int(v.size), coverage)


def statement(take: str, series: Series) -> tuple[float | None, float | None]:
    """(value, standard error) of a statement on a series without gaps of NaN. An extreme has no error that the log
    could tell; a mean has one by its noise, with the noise's own memory counted, and by the step of the reading."""
    t, v = series.t, series.v
    if take in ("highest", "lowest"):
        if v.size < 3:
            return None, None
        of_three = np.median(np.lib.stride_tricks.sliding_window_view(v, 3), axis=1)
        return float(of_three.max() if take == "highest" else of_three.min()), None
    if take == "mean":
        return _with_error(v)
    reach = int(min(TENTH * (int(t[-1]) - int(t[0])), MOST_S * 1e6))
    first, first_se = _with_error(v[t <= t[0] + reach])
    last, last_se = _with_error(v[t >= t[-1] - reach])
    if take == "first":
        return first, first_se
    if take == "last":
        return last, last_se
    return last - first, None if first_se is None or last_se is None else float(np.hypot(first_se, last_se))


def _with_error(v: Floats) -> tuple[float, float | None]:
    """Mean and its standard error; no error under three readings."""
    mean = float(v.mean())
    if v.size < 3:
        return mean, None
    off = v - mean
    spread = float(np.sqrt(np.dot(off, off) / (v.size - 1)))
    step = _step(v)
    if spread == 0:
        return mean, STEP_SD * step if step else None
    memory = float(np.dot(off[:-1], off[1:]) / np.dot(off, off))
    memory = min(max(memory, 0.0), 1 - 2 / v.size)
    independent = max(1.0, v.size * (1 - memory) / (1 + memory))
    return mean, float(np.hypot(spread / sqrt(independent), STEP_SD * step if spread < step else 0.0))


def _step(v: Floats) -> float:
    """The smallest step between readings; 0 where all are alike."""
    apart = np.diff(np.unique(v))
    return float(apart.min()) if apart.size else 0.0
