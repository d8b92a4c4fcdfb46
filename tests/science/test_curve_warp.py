"""Groups that draw one curve at their own scale: capacity and charge come back, and what tells nothing says nothing."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.science.curve_warp import Warped, warped


def curve(z: np.ndarray) -> np.ndarray:
    """A plateau with two steps, V."""
    return 3.25 + 0.03 * z + 0.016 * np.tanh((z - 0.7) / 0.03) + 0.012 * np.tanh((z - 0.42) / 0.04)


def string(
    capacity: list[float],
    more: list[float],
    reach: tuple[float, float] = (0.35, 0.82),
    step: float = 0.001,
    seed: int = 1,
    shape: object = curve,
    ohm: list[float] | None = None,
) -> Warped | None:
    """A charge of a string that is level when full but for `more`; volts of ohm on top."""
    rng = np.random.default_rng(seed)
    q = np.linspace(0.0, reach[1] - reach[0], 1500)
    columns = []
    for k, (c, d) in enumerate(zip(capacity, more, strict=True)):
        z = 1.0 - (1.0 - reach[0] - q) / c + d
        v = shape(z) + rng.normal(0.0, 0.001, q.size) + rng.normal(0.0, 0.002)  # type: ignore[operator]
        columns.append(v + (ohm[k] if ohm else 0.0))
    return warped(q, np.round(np.column_stack(columns) / step) * step, step)


def test_capacity_and_charge_of_a_group_from_the_middle_of_the_curve() -> None:
    found = string([1.0, 1.0, 0.82, 1.0, 1.0, 1.0], [0.0, 0.0, 0.0, -0.05, 0.0, 0.0])
    assert found is not None
    assert found.capacity[2] == pytest.approx(0.82, abs=3 * found.capacity_se[2])
    assert found.capacity_se[2] < 0.04
    assert found.capacity[3] == pytest.approx(1.0, abs=3 * found.capacity_se[3])
    assert found.charge[3] == pytest.approx(-0.05, abs=3 * found.charge_se[3])
    assert found.charge_se[3] < 0.015


def test_resistance_is_no_capacity() -> None:
    found = string([1.0] * 6, [0.0] * 6, ohm=[0.0, 0.0, 0.04, 0.0, -0.01, 0.0])
    assert found is not None
    assert np.abs(found.capacity - 1.0).max() < 3 * found.capacity_se.max()


def test_intervals_hold_the_truth() -> None:
    """Drawn strings of eight with capacities and charges that differ: nine in ten at the least, and not all by far
    too wide."""
    inside, errors = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        capacity = 1.0 + rng.normal(0.0, 0.012, 8)
        capacity[3] *= rng.uniform(0.75, 1.0)
        low = rng.uniform(0.2, 0.5)
        found = string(list(capacity), list(rng.normal(0.0, 0.01, 8)), (low, rng.uniform(0.76, 0.9)), seed=seed)
        assert found is not None
        known = np.isfinite(found.capacity)
        away = (found.capacity - capacity / np.median(capacity))[known]
        inside.append(np.mean(np.abs(away) < 1.96 * found.capacity_se[known]))
        errors.append(np.median(found.capacity_se[known]))
    print(np.mean(inside), np.median(errors))
    assert np.mean(inside) > 0.9
    assert np.median(errors) < 0.06


def to_the_knee(z: np.ndarray) -> np.ndarray:
    return curve(z) + 0.2 * np.exp((z - 1.0) / 0.012)


@pytest.mark.parametrize("seed", range(6))
def test_every_group_is_told_where_the_charge_ends_on_a_steep_part(seed: int) -> None:
    """Readings at the curve's end came and went from step to step, so that half of the groups never settled, and the
    one that holds least among them."""
    capacity = list(1.0 + np.random.default_rng(seed).normal(0.0, 0.012, 12))
    capacity[4] = 0.87
    found = string(capacity, [0.0] * 12, (0.33, 0.985), step=0.005, seed=seed, shape=to_the_knee)
    assert found is not None
    assert np.isfinite(found.capacity).all()
    truth = capacity[4] / float(np.median(capacity))
    assert found.capacity[4] == pytest.approx(truth, abs=3 * found.capacity_se[4])
    assert found.capacity_se[4] < 0.04


@pytest.mark.parametrize(
    ("step", "shape"), [(0.001, lambda z: 3.3 + 0.02 * z), (0.02, curve)], ids=["no bend", "coarse readings"]
)
def test_what_tells_nothing_has_a_large_error(step: float, shape: object) -> None:
    found = string([1.0, 1.0, 0.8, 1.0, 1.0, 1.0], [0.0] * 6, step=step, shape=shape)
    if found is not None:
        known = np.isfinite(found.capacity)
        assert (found.capacity_se[known] > 0.05).all()


def test_too_little_charge_or_too_few_groups_give_nothing() -> None:
    assert string([1.0] * 6, [0.0] * 6, reach=(0.6, 0.7)) is None
    assert string([1.0] * 3, [0.0] * 3) is None


def test_more_charge_than_any_pack_takes_is_not_reckoned_with() -> None:
    """A rated charge ten times too small: thousands of bins, each against each, for a figure that means nothing."""
    q = np.linspace(0.0, 4.7, 1500)
    volts = np.column_stack([curve(0.35 + 0.1 * q)] * 6) + np.random.default_rng(1).normal(0.0, 0.001, (1500, 6))
    assert warped(0.1 * q, volts, 0.001) is not None
    assert warped(q, volts, 0.001) is None
