"""Repeatability and reproducibility against the worked example of the trade, NIST, scipy and simulation."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest
from scipy import stats

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science import gauge
from herdbook.pipeline.science.gauge import by_ranges, crossed, f_above, mean_squares, pooled_sd

# AIAG, Measurement Systems Analysis: 10 parts by 3 persons by 3 trials; data from memory (CHECKS-2, "crossed gauge").
TRIALS = """
 0.29 -0.56 1.34 0.47 -0.80  0.02 0.59 -0.31 2.26 -1.36
 0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
 0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
 0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
 0.25 -1.22 0.94 1.03 -1.20  0.22 0.55  0.08 2.12 -1.62
 0.07 -0.68 1.34 0.20 -1.28  0.06 0.83 -0.34 2.19 -1.50
 0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""
MSA = np.array([[float(v) for v in line.split()] for line in TRIALS.strip().splitlines()])
MSA = MSA.reshape(3, 3, 10).transpose(2, 0, 1)


def test_the_worked_example_of_the_trade() -> None:
    """Printed for this example (CHECKS-2): interaction p .974, gauge 7.76 % and part 92.24 % of the variance, 27.86 %
    of the sd, 4 categories; the variances computed by two routes."""
    found = crossed(MSA)
    assert found.interaction_p == pytest.approx(0.974, abs=5e-4)
    assert found.repeatability.value == pytest.approx(0.0399733, abs=5e-8)
    assert found.reproducibility.value == pytest.approx(0.0514553, abs=5e-8)
    assert found.gauge.value == pytest.approx(0.0914285, abs=1e-7)
    assert found.between_units.value == pytest.approx(1.0864466, abs=5e-8)
    assert 100 * found.share.value == pytest.approx(27.86, abs=0.005)
    assert 100 * found.share.value**2 == pytest.approx(7.76, abs=0.005)
    assert found.categories == 4


def test_the_interaction_that_is_left_out_would_be_negative() -> None:
    squares, _ = mean_squares(MSA)
    assert (squares[2] - squares[3]) / 3 == pytest.approx(-0.0086796, abs=5e-8)


def test_the_example_by_ranges() -> None:
    """The same source: EV .20186, AV .22967, GRR .30577, PV 1.10460, TV 1.14613, 26.68 %."""
    found = by_ranges(MSA)
    assert found.repeatability == pytest.approx(0.20186, abs=2e-5)
    assert found.reproducibility == pytest.approx(0.22967, abs=5e-5)  # tables have the constants in four digits
    assert found.gauge == pytest.approx(0.30577, abs=5e-5)
    assert found.between_units == pytest.approx(1.10460, abs=2e-4)
    assert found.total == pytest.approx(1.14613, abs=2e-4)
    assert 100 * found.share == pytest.approx(26.68, abs=0.01)


def test_the_law_of_a_ratio_of_variances_is_that_of_scipy() -> None:
    for f, a, b in ((0.4337, 18, 60), (3.2, 2, 7), (12.0, 1, 3), (1.0, 30, 30)):
        assert f_above(f, a, b) == pytest.approx(stats.f.sf(f, a, b), rel=1e-9)


def test_repeatability_of_several_groups() -> None:
    """NIST/SEMATECH e-Handbook, 2.4.4: five probes' sums of squares, 60 degrees of freedom each: s1 = .10290."""
    sd, dof = pooled_sd(np.array([0.48115, 0.69209, 0.48483, 1.21752, 0.30076]), np.full(5, 60))
    assert (round(sd, 5), dof) == (0.10290, 300)


def test_a_kept_interaction_is_part_of_the_gauge() -> None:
    """Persons who disagree about units by turns."""
    away = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, 1.0], [1.0, 0.0], [3.0, 3.2]])
    y = away[:, :, None] + np.array([-0.01, 0.01])[None, None, :]
    found = crossed(y)
    assert found.interaction_p < 0.001
    assert found.interaction > 0.1
    assert found.gauge.value == pytest.approx(found.repeatability.value + found.reproducibility.value)


def test_one_person_says_nothing_of_persons() -> None:
    found = crossed(MSA[:, :1])
    assert np.isnan(found.reproducibility.value)
    assert np.isnan(found.interaction_p)
    assert found.repeatability.value == pytest.approx(float(MSA[:, 0].var(axis=1, ddof=1).mean()))


@pytest.mark.parametrize("shape", [(1, 3, 3), (5, 2, 1), (4, 3)])
def test_what_is_no_study_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="two units and two repeats"):
        crossed(np.zeros(shape))


def test_alike_values_have_no_share() -> None:
    found = crossed(np.ones((4, 2, 2)), tolerance=1.0)
    assert np.isnan(found.share.value)
    assert found.to_tolerance.value == 0.0


def made(rng: np.random.Generator, shape: tuple[int, int, int], sds: tuple[float, float, float, float]) -> Floats:
    n, m, r = shape
    unit, person, both, rest = sds
    return np.asarray(
        rng.normal(0, unit, (n, 1, 1))
        + rng.normal(0, person, (1, m, 1))
        + rng.normal(0, both, (n, m, 1))
        + rng.normal(0, rest, (n, m, r))
    )


@pytest.mark.parametrize(
    ("shape", "sds"),
    [
        ((10, 3, 3), (1.0, 0.2, 0.0, 0.2)),
        ((10, 3, 3), (1.0, 0.3, 0.3, 0.2)),
        ((8, 6, 2), (1.0, 0.4, 0.0, 0.4)),
        ((12, 1, 3), (1.0, 0.0, 0.0, 0.3)),
    ],
)
def test_intervals_cover(shape: tuple[int, int, int], sds: tuple[float, float, float, float]) -> None:
    """95 % intervals of repeatability, gauge, units and share hold in 90 to 99 % of 400 studies."""
    rng = np.random.default_rng(7)
    unit, person, both, rest = sds
    gauge_var = rest**2 + (person**2 + both**2 if shape[1] > 1 else 0.0)
    truth = {
        "repeatability": rest**2,
        "gauge": gauge_var,
        "between_units": unit**2,
        "share": sqrt(gauge_var / (gauge_var + unit**2)),
    }
    held = dict.fromkeys(truth, 0)
    for _ in range(400):
        found = crossed(made(rng, shape, sds))
        for name, true in truth.items():
            one = getattr(found, name)
            held[name] += one.low <= true <= one.high
    assert {n: k for n, k in held.items() if not 0.90 <= k / 400 <= 0.992} == {}


def test_the_intervals_are_the_same_every_time() -> None:
    first = crossed(MSA)
    gauge._draws.cache_clear()
    assert crossed(MSA) == first or first.to_tolerance.value != first.to_tolerance.value
    assert crossed(MSA).share == first.share
