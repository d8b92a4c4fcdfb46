"""Wind from ahead, told from a brake that drags: by rides worked forward from the force balance, and by a brute-force
posterior."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.science.head_wind import HeadWind, Usual, blowing_here, head_wind, still_air

MASS, PER_MS2 = 100.0, 0.72  # kg; N/(m/s)^2, of 0.6 m2 at 1.2 kg/m3
USUAL = Usual(own_ms=1.7, shared_ms=1.7)


def ridden(wind_ms: float, drags_n: float, seed: int = 3) -> HeadWind | None:
    """Eight minutes of speeding up and slowing down over streets of 60 s, whose grade nobody tells; the force is what
    the motors must have given, with 1.5 N of noise."""
    rng = np.random.default_rng(seed)
    goal = np.repeat(rng.uniform(2.5, 8.0, 33), 15)[:480]
    fine = np.zeros(4800)
    for k in range(1, fine.size):
        fine[k] = fine[k - 1] + 0.1 * float(np.clip(0.4 * (goal[k // 10] - fine[k - 1]), -1.2, 1.2))
    street = MASS * 9.81 * np.repeat(rng.normal(0.0, 0.01, 8), 600)
    push = MASS * np.gradient(fine, 0.1) + street + 12.0 + drags_n
    push += 0.5 * PER_MS2 * (fine + wind_ms) * np.abs(fine + wind_ms)
    force, speed = (v.reshape(-1, 10).mean(axis=1) for v in (push, fine))
    acceleration = np.full(speed.size, np.nan)
    acceleration[1:-1] = (speed[2:] - speed[:-2]) / 2.0
    still = force + rng.normal(0.0, 1.5, force.size) - 0.5 * PER_MS2 * speed**2
    return head_wind(still, speed, acceleration, speed > 1.0, PER_MS2)


@pytest.mark.parametrize("wind_ms", [-2.5, 0.0, 3.5])
def test_a_wind_shows_by_how_resistance_grows_with_speed(wind_ms: float) -> None:
    found = ridden(wind_ms, drags_n=0.0)
    assert found is not None
    assert found.ms == pytest.approx(wind_ms, abs=2.5 * found.se)
    assert found.se < 1.2


def test_a_dragging_brake_is_no_wind() -> None:
    sound, drags = ridden(0.0, drags_n=0.0), ridden(0.0, drags_n=40.0)
    assert sound is not None
    assert drags is not None
    assert drags.ms == pytest.approx(sound.ms, abs=0.01)


def test_a_ride_at_one_speed_tells_no_wind() -> None:
    still = np.full(300, 40.0)
    assert head_wind(still, np.full(300, 6.0), np.zeros(300), np.ones(300, bool), PER_MS2) is None
    assert head_wind(still[:8], np.full(8, 6.0), np.zeros(8), np.ones(8, bool), PER_MS2) is None


def test_a_wind_in_every_ride_is_not_averaged_away() -> None:
    """Rides that tell no wind: what they may share stays, however many they are. With equal rides the error has a
    closed form: gain^2 (shared^2 + own^2 / n) + error^2 / n."""
    gain, error = 0.0035, 0.004
    for n in (1, 4, 100):
        unknown = np.full(n, np.nan)
        found = still_air(np.full(n, 0.02), np.full(n, error), np.full(n, gain), 0.0, unknown, unknown, USUAL)
        assert found.value == pytest.approx(0.02)
        assert found.se**2 == pytest.approx(gain**2 * (1.7**2 + 1.7**2 / n) + error**2 / n)


def test_winds_told_are_taken_off() -> None:
    """Eight rides with 3 m/s from ahead on a vehicle that rolls with 0.015: as met 0.0255 and more."""
    gain, square = 0.0035, 0.0007
    met = np.full(8, 0.015 + 3.0 * gain + 0.5 * square * 9.0)
    known = still_air(met, np.full(8, 0.003), np.full(8, gain), square, np.full(8, 3.0), np.full(8, 0.5), USUAL)
    assert known.value == pytest.approx(0.015, abs=0.0008)
    assert known.wind_ms == pytest.approx(3.0, abs=0.2)
    assert known.se < 0.0015


def test_rides_tell_how_strong_winds_are_here() -> None:
    """Known without an error and shared by none: of n rides at w the square is (4 u^2 + n w^2) / (4 + n), by hand."""
    usual = Usual(own_ms=2.0, shared_ms=0.0)
    assert blowing_here(usual, np.full(3, np.nan), np.full(3, np.nan)) == usual
    assert blowing_here(usual, np.zeros(12), np.zeros(12)).own_ms == pytest.approx(1.0)
    assert blowing_here(usual, np.full(12, 4.0), np.zeros(12)).own_ms == pytest.approx(np.sqrt((16 + 12 * 16) / 16))
    # a wind that all rides share is one wind, however many rides there are; one that is not known says nothing
    alike = Usual(own_ms=0.0, shared_ms=2.0)
    assert blowing_here(alike, np.zeros(500), np.zeros(500)).shared_ms == pytest.approx(2.0 * np.sqrt(4 / 5), rel=0.01)
    assert blowing_here(usual, np.full(12, 9.0), np.full(12, 200.0)).own_ms == pytest.approx(2.0, rel=0.01)


def test_the_mean_is_the_posterior_of_the_model() -> None:
    """Against the same model drawn: winds and errors by Monte Carlo, the resistance by regression on what was seen
    (Gauss-Markov), for two rides of which one tells its wind."""
    rng = np.random.default_rng(5)
    runs = 400_000
    gains, errors, told = np.array([0.003, 0.005]), np.array([0.004, 0.002]), 0.8
    rolling = rng.normal(0.0, 1.0, runs)  # a wide prior: nearly nothing is known before
    winds = rng.normal(0.0, 1.7, runs)[:, None] + rng.normal(0.0, 1.7, (runs, 2))
    met = rolling[:, None] + gains * winds + rng.normal(0.0, 1.0, (runs, 2)) * errors
    seen = np.column_stack([met, winds[:, 0] + rng.normal(0.0, told, runs)])
    weights = np.linalg.lstsq(seen, rolling, rcond=None)[0]
    expected = np.array([0.021, 0.027, 1.4]) @ weights
    spread = float(np.std(rolling - seen @ weights))
    found = still_air(
        np.array([0.021, 0.027]), errors, gains, 0.0, np.array([1.4, np.nan]), np.array([told, np.nan]), USUAL
    )
    assert found.value == pytest.approx(float(expected), abs=3e-5)
    assert found.se == pytest.approx(spread, rel=0.01)
