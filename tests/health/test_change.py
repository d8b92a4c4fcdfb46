"""A step in a history: found where it is, with its size and error; none made of noise."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.change import upward_step


def test_a_step_is_found_where_it_is_with_its_error() -> None:
    values = np.array([1.1, 0.9, 1.0, 3.0, 3.1, 2.9, 3.0])
    step = upward_step(values, np.full(7, 0.2))
    assert step is not None
    assert step.first == 3
    assert (step.before, step.after, step.rise) == pytest.approx((1.0, 3.0, 2.0))
    assert step.se == pytest.approx(0.2 * np.sqrt(1 / 3 + 1 / 4))


def test_values_weigh_by_their_errors() -> None:
    step = upward_step(np.array([1.0, 5.0, 9.0, 9.0]), np.array([0.1, 10.0, 0.1, 0.1]))
    assert step is not None
    assert step.before == pytest.approx(1.0, abs=0.01)


def test_scatter_beyond_the_errors_stretches_them() -> None:
    wild = np.array([0.0, 4.0, 0.0, 4.0, 3.0, 7.0, 3.0, 7.0])
    step = upward_step(wild, np.full(8, 0.1))
    assert step is not None
    assert step.z < 3.0


def test_too_few_or_falling_is_no_step() -> None:
    assert upward_step(np.array([1.0, 1.0, 5.0]), np.ones(3)) is None
    assert upward_step(np.array([5.0, 5.0, 1.0, 1.0]), np.ones(4)) is None


def test_noise_alone_stays_under_five_errors() -> None:
    rng = np.random.default_rng(3)
    tops = [s.z for s in (upward_step(rng.normal(0, 1, 20), np.ones(20)) for _ in range(2000)) if s is not None]
    assert max(tops) < 5.0
    assert np.mean(np.array(tops) > 3.0) < 0.05
