"""The uppermost step of a curve is found at its true place, by groups in coarse steps; where there is none, none is."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.science.curve_step import CurveStep, upper_step


def curve(z: np.ndarray) -> np.ndarray:
    """A foot, two steps at 0.30 and 0.68, a knee; V."""
    steps = 0.020 * np.tanh((z - 0.30) / 0.03) + 0.010 * np.tanh((z - 0.68) / 0.012)
    return 3.28 + 0.02 * z + steps - 0.3 * np.exp(-z / 0.03) + 0.2 * np.exp((z - 1.0) / 0.012)


def charge(low: float, high: float, held: float = 1.0, step_v: float = 0.005, seed: int = 1) -> CurveStep | None:
    """A string of twelve charged from low to high; share: over the rated, from the begin."""
    rng = np.random.default_rng(seed)
    q = np.linspace(0.0, (high - low) * held, 3000)
    apart = rng.normal(0.0, 0.008, 12)
    z = low + q[:, None] / held + apart - np.median(apart)
    v = curve(z) + 0.03 + rng.normal(0.0, 0.002, 12) + rng.normal(0.0, 0.001, z.shape)
    return upper_step(q, np.round(v / step_v) * step_v)


@pytest.mark.parametrize("step_v", [0.001, 0.005, 0.010])
@pytest.mark.parametrize(("low", "high", "held"), [(0.2, 0.99, 1.0), (0.5, 0.8, 1.0), (0.33, 0.99, 0.72)])
def test_a_step_is_found_at_its_place(low: float, high: float, held: float, step_v: float) -> None:
    found = charge(low, high, held, step_v)
    assert found is not None
    assert found.share == pytest.approx((0.68 - low) * held, abs=max(3 * found.se, 0.005))
    assert found.se < 0.01


@pytest.mark.parametrize(
    ("low", "high"), [(0.42, 0.63), (0.72, 0.99), (0.62, 0.70)], ids=["below", "above", "too short"]
)
def test_a_charge_that_does_not_pass_it_tells_none(low: float, high: float) -> None:
    assert charge(low, high) is None


def test_a_charge_that_ends_below_tells_the_lower_one_at_its_own_voltage() -> None:
    """Which of the steps it is the voltage says: pack/curve_place.py holds it against the fleet's."""
    lower, upper = charge(0.15, 0.60), charge(0.15, 0.90)
    assert lower is not None
    assert upper is not None
    assert lower.share == pytest.approx(0.15, abs=0.02)
    assert upper.volts - lower.volts > 0.03


def test_neither_noise_nor_a_bend_is_a_step() -> None:
    rng = np.random.default_rng(3)
    q = np.linspace(0.0, 0.6, 3000)
    straight = 3.3 + 0.05 * q[:, None] + rng.normal(0.0, 0.003, (3000, 12))
    bent = straight + 0.3 * np.clip(q[:, None] - 0.4, 0.0, None) ** 1.5
    assert upper_step(q, np.round(straight, 2)) is None
    assert upper_step(q, bent) is None


def test_a_wire_that_reads_wrongly_moves_no_step() -> None:
    rng = np.random.default_rng(4)
    q = np.linspace(0.0, 0.79, 3000)
    v = curve(0.2 + q[:, None] + rng.normal(0.0, 0.008, 12)) + rng.normal(0.0, 0.001, (3000, 12))
    v[:, 4] += np.where(q > 0.65, 0.4, 0.0)
    v[:, 5] -= np.where(q > 0.65, 0.4, 0.0)
    found = upper_step(q, v)
    assert found is not None
    assert found.share == pytest.approx(0.48, abs=0.006)


def test_too_few_groups_or_too_much_charge_tell_nothing() -> None:
    q = np.linspace(0.0, 0.7, 3000)
    assert upper_step(q, np.column_stack([curve(0.2 + q)] * 3)) is None
    assert upper_step(10.0 * q, np.column_stack([curve(0.2 + q)] * 5)) is None
    assert upper_step(np.empty(0), np.empty((0, 5))) is None
