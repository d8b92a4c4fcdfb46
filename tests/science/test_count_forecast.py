"""Counts ahead: quantiles against scipy's laws, the likeliest power law against its closed form, and how often a stated
interval holds the count that then comes.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.count_forecast import CountForecast, count_ahead, count_quantile

AHEAD = 90.0


@pytest.mark.parametrize("mean", [0.2, 3.0, 40.0, 2500.0])
@pytest.mark.parametrize("sure", [0.025, 0.5, 0.95, 0.975])
def test_quantiles_are_those_of_the_laws(mean: float, sure: float) -> None:
    assert count_quantile(mean, mean, sure) == stats.poisson.ppf(sure, mean)
    size = 2.5
    law = stats.nbinom(size, size / (size + mean))
    assert count_quantile(mean, float(law.var()), sure) == law.ppf(sure)


def test_the_likeliest_shape_of_units_watched_alike_is_crows() -> None:
    """All from 0 to T: shape = n / sum(log(T / t)), scale * T^shape = n a unit."""
    draw = np.random.default_rng(3)
    events = [np.sort(draw.uniform(0, 1000, 6)) for _ in range(30)]
    zero, end = np.zeros(30), np.full(30, 1000.0)
    found = count_ahead(zero, end, events, end, end + 100)
    shape = 180 / sum(float(np.sum(np.log(1000 / e))) for e in events)
    assert found.shape == pytest.approx(shape, rel=1e-6)
    assert found.mean == pytest.approx(180 * (1.1**shape - 1), rel=1e-6)


def test_too_few_events_are_carried_on_at_one_rate() -> None:
    """None in 1,000 unit-days says: at most as many as an exact upper end allows, not nought."""
    units = np.full(10, 100.0)
    found = count_ahead(np.zeros(10), units, [np.empty(0)] * 10, units, units + 90)
    assert found.steady
    assert found.low == 0
    assert 1 <= found.high <= 4


def herd(draw: np.random.Generator, shape: float, between: float, units: int, rate: float) -> tuple[CountForecast, int]:
    """Units of all ages watched for at most two years, with a gamma factor each; what is forecast, and what comes."""
    exit = draw.uniform(60, 1500, units)
    entry = np.maximum(0.0, exit - 730)
    factor = draw.gamma(1 / between, between, units) if between else np.ones(units)
    scale = rate / 1000.0**shape

    def fall(a: Floats, b: Floats) -> list[Floats]:
        mean = factor * scale * (b**shape - a**shape)
        return [
            (x**shape + draw.random(n) * (y**shape - x**shape)) ** (1 / shape)
            for x, y, n in zip(a, b, draw.poisson(mean), strict=True)
        ]

    found = count_ahead(entry, exit, fall(entry, exit), exit, exit + AHEAD)
    return found, sum(e.size for e in fall(exit, exit + AHEAD))


WORLDS = [(1.0, 0.0, 60, 0.5), (1.6, 0.5, 60, 1.0), (0.7, 1.0, 150, 1.5), (1.3, 0.5, 20, 0.5), (1.0, 0.0, 15, 0.1)]


@pytest.mark.parametrize(("shape", "between", "units", "rate"), WORLDS)
def test_the_interval_holds_the_count_that_comes(shape: float, between: float, units: int, rate: float) -> None:
    """95 % are stated; a count is whole, so that more may be held. 200 herds a world."""
    draw = np.random.default_rng(11)
    held = spares = 0
    runs = 200
    for _ in range(runs):
        found, came = herd(draw, shape, between, units, rate)
        held += found.low <= came <= found.high
        spares += came <= found.at_most(0.95)
    assert 0.92 <= held / runs <= 0.995, held / runs
    assert spares / runs >= 0.92, spares / runs
