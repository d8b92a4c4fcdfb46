"""Pooling by random effects, held to the printed figures of 13 trials of BCG vaccine (data: R package HSAUR, BCG)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t

from herdbook.pipeline.science.meta_analysis import random_effects, t95

# ill and well of the vaccinated, ill and well of the others
TRIALS = np.array(
    [
        *((4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761)),
        *((180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232)),
        *((17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825)),
    ],
    np.float64,
)


def test_the_vaccine_trials() -> None:
    """Log risk ratios. Paule and Mandel 0.318068 and -0.714968, Hartung and Knapp -1.109098 to -0.320838."""
    a, b, c, d = TRIALS.T
    value = np.log(a / (a + b) / (c / (c + d)))
    error = np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))
    found = random_effects(value, error)
    assert found.between == pytest.approx(0.318068, abs=1e-6)
    assert found.mean == pytest.approx(-0.714968, abs=1e-6)
    reach = t95(12) * found.se
    assert (found.mean - reach, found.mean + reach) == pytest.approx((-1.109098, -0.320838), abs=2e-6)


def test_values_that_agree_have_no_scatter() -> None:
    found = random_effects(np.array([1.0, 1.1, 0.9]), np.full(3, 0.5))
    assert found.between == 0.0
    assert found.alone == pytest.approx(0.5 / np.sqrt(3))
    assert found.se < found.alone


@pytest.mark.parametrize("dof", [1, 2, 3.5, 7, 29, 30, 31.5, 60, 1000])
def test_students_factor(dof: float) -> None:
    assert t95(dof) == pytest.approx(t.ppf(0.975, dof), rel=0.02 if dof != int(dof) and dof < 30 else 1e-4)
