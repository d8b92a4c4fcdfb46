"""Causes weighed for one group of a string: its likelihood against scipy's, one session alone, many readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from herdbook.pipeline.health.examples import record
from herdbook.pipeline.science import string_fit, string_shows
from herdbook.pipeline.science.string_fit import (
    NODES,
    Moments,
    OpenCircuitCurve,
    Why,
    learn,
    standing_apart,
    weigh,
    weights,
)
from herdbook.pipeline.science.string_shows import would_show
from herdbook.pipeline.vehicle.chemistry import ocv_of

GROUPS = 10


def curve(seen: np.ndarray, days: np.ndarray) -> OpenCircuitCurve:
    """Learned from readings of a plateau with one step and a knee near empty."""
    return learn(table(NODES), seen, table(seen), np.full(seen.size, 0.003), days.astype(int), np.full(seen.size, 0.01))


def table(z: np.ndarray) -> np.ndarray:
    return 3.25 + 0.06 * z + 0.018 * np.tanh((z - 0.68) / 0.04) - 0.35 * np.exp(-np.maximum(z + 0.1, 0.0) / 0.07)


def moments(rng: np.random.Generator, n: int, days: np.ndarray, shift: float = 0.0, noise: float = 0.004) -> Moments:
    """n readings of ten groups; group 3 (index 2) holds `shift` more."""
    z = rng.uniform(0.15, 0.9, n)
    away = rng.normal(0.0, noise, (n, GROUPS))
    away[:, 2] += table(z + shift) - table(z)
    size = (n, GROUPS)
    se, drop = np.full(size, noise), np.full(size, 0.002)
    return Moments(z, away, se, drop, days=days, knee=z < 0.12, bled=np.zeros(size))


def test_the_likelihood_is_that_of_a_normal_law_with_the_whole_covariance() -> None:
    rng = np.random.default_rng(4)
    days = np.sort(rng.choice(np.arange(0.0, 20.0), 25))
    m = moments(rng, 25, days, shift=-0.06)
    c = curve(m.z, days)
    shifts = np.stack([np.zeros(25), np.full(25, -0.06), np.full(25, 0.09), -0.15 * (1.0 - m.z), -0.004 * days])
    found = string_fit._likelihood(c, m, shifts, 2)
    expected = []
    for shift in shifts:
        differ = weights(m.z + shift) - weights(m.z)
        mean = differ @ c.mean
        assert (np.abs(mean) < string_fit.FAR_V).all()
        own = np.where(m.knee, string_fit.UNLIKE, string_fit.LIKENESS) * mean
        cov = string_shows.as_sound(c, m, 2) + differ @ c.cov @ differ.T + np.diag(own**2)
        expected.append(multivariate_normal(mean, cov).logpdf(m.away[:, 2]))
    # up to a constant, and to directions of the curve that matter less than a tenth of a millivolt
    assert found - found[0] == pytest.approx(np.array(expected) - expected[0], abs=0.05)


def test_one_session_knows_no_leak_and_is_weighed_all_the_same() -> None:
    rng = np.random.default_rng(5)
    days = np.zeros(40)
    m = moments(rng, 40, days, shift=-0.15, noise=0.002)
    found = weigh(curve(m.z, days), m, 2)
    assert found.chance[Why.LEAK] == 0.0
    assert found.chance[""] < 0.01
    assert found.stands == pytest.approx(-0.15, abs=0.06)


def test_a_difference_is_not_drowned_by_many_readings() -> None:
    """150 readings on the plateau, each by itself no better than the difference: together they show it."""
    rng = np.random.default_rng(6)
    days = np.sort(rng.choice(np.arange(0.0, 28.0), 150))
    m = moments(rng, 150, days, shift=-0.08)
    c = curve(m.z, days)
    assert standing_apart(c, m, [2]) == [2]
    assert weigh(c, m, 2).chance[""] < 0.02
    others = [k for k in range(GROUPS) if k != 2]
    assert all(weigh(c, m, k).chance[""] > 0.5 for k in standing_apart(c, m, list(others)))


@pytest.mark.parametrize("less", [0.09, 0.12, 0.18])
def test_a_capacity_read_on_the_way_into_the_knee_is_not_read_low(less: float) -> None:
    """There a difference may be off by most of itself, which must not make a smaller one the likelier."""
    ocv = ocv_of(record().profile.pack)
    assert ocv is not None
    sizes = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        days = np.sort(rng.choice(np.arange(0.0, 25.0), 60))
        z = rng.uniform(0.2, 0.85, 60)
        volts, lower = (np.interp(100.0 * at, ocv.soc_pct, ocv.middle_v) for at in (z, z - less / (1 - less) * (1 - z)))
        prior = np.interp(100.0 * NODES, ocv.soc_pct, ocv.middle_v)
        read = volts + rng.normal(0.0, 0.003, 60)
        c = learn(prior, z, read, np.full(60, 0.004), days.astype(int), np.full(60, 0.02))
        away = rng.normal(0.0, 0.002, (60, GROUPS))
        away[:, 2] += lower - volts
        se, drop = np.full_like(away, 0.003), np.full_like(away, 0.002)
        m = Moments(z, away, se, drop, days=days, knee=read < 3.2, bled=np.zeros_like(away))
        found = weigh(c, m, 2)
        assert found.cause is Why.CAPACITY
        assert abs(found.size - less) < 2.0 * found.se
        sizes.append(found.size)
    assert np.mean(sizes) == pytest.approx(less, rel=0.08)


def test_the_curve_is_left_as_open_as_published_curves_lie_apart() -> None:
    """Twelve published LFP curves (three half cells and a measured one with three of graphite) lie 252, 94, 89, 47, 59
    and 42 mV apart at 10, 20, 30, 50, 70 and 90 % of charge; the range of twelve is 3.258 standard deviations."""
    none = np.zeros(0)
    open_v = np.sqrt(np.diag(learn(table(NODES), none, none, none, none.astype(int), none).cov))
    sd = np.interp([0.1, 0.2, 0.3, 0.5, 0.7, 0.9], NODES, open_v)
    published = np.array([252, 94, 89, 47, 59, 42]) / 3258.0
    assert (sd > 0.95 * published).all()
    assert (sd < 1.45 * published).all()


def test_a_small_group_that_is_level_below_full_is_read_at_its_size() -> None:
    """Packs that never get to full are in balance lower down, and a report that reads low moves full as well."""
    rng = np.random.default_rng(12)
    sizes = []
    for _ in range(6):
        days = np.sort(rng.choice(np.arange(0.0, 20.0), 40))
        m = moments(rng, 40, days, noise=0.002)
        m.away[:, 2] = table(m.z - 0.25 * (0.82 - m.z)) - table(m.z) + rng.normal(0.0, 0.002, 40)
        found = weigh(curve(m.z, days), m, 2)
        assert found.cause is Why.CAPACITY
        assert abs(found.size - 0.2) < 2.0 * found.se
        sizes.append(found.size)
    assert np.mean(sizes) == pytest.approx(0.2, rel=0.15)


def test_a_curve_that_is_hardly_known_hides_no_fault_that_no_sound_group_could_show() -> None:
    """Over a knee near empty a group short by a fifth stands far out whatever the curve is; on a flat plateau it does
    not, however well that is known."""
    rng = np.random.default_rng(7)
    days = np.sort(rng.choice(np.arange(0.0, 20.0), 30))
    deep, flat = moments(rng, 30, days), moments(rng, 30, days)
    flat.z[:] = rng.uniform(0.93, 0.97, 30)
    none = np.zeros(0)
    vague = learn(table(NODES), none, none, none, none.astype(int), none)
    for known in (vague, curve(deep.z, days), OpenCircuitCurve(vague.mean, 1e-9 * np.eye(NODES.size))):
        assert would_show(known, deep, Why.CAPACITY, 0.20)
        assert not would_show(known, flat, Why.CAPACITY, 0.20)
        assert not would_show(known, deep, Why.CAPACITY, 0.005)


def test_a_leak_that_balancing_meets_is_a_leak_all_the_same() -> None:
    """It loses 0.8 % a day, and after a week its siblings are bled by as much, so that it falls behind no further: what
    was taken from them tells. Without that it is as likely a difference in charge."""
    rng = np.random.default_rng(8)
    days = np.sort(rng.choice(np.arange(0.0, 28.0), 60))
    m = moments(rng, 60, days, noise=0.002)
    met = -0.008 * np.clip(days - 7.0, 0.0, None)  # the group's own less the median group's
    stands = -0.008 * days - met
    away = m.away.copy()
    away[:, 2] += table(m.z + stands) - table(m.z)
    bled = np.zeros_like(away)
    bled[:, 2] = met
    known = curve(m.z, days)
    told = weigh(known, replace(m, away=away, bled=bled), 2)
    assert told.cause is Why.LEAK
    assert told.size == pytest.approx(0.008, rel=0.1)
    deaf = weigh(known, replace(m, away=away), 2)
    assert told.chance[Why.LEAK] > deaf.chance[Why.LEAK] + 0.2
