"""Values of a role at moments of another: the last one before, as long as it holds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.pipeline.vehicle.signals import Series, Signals

STEPS = st.sampled_from([1, 3, 1_000, 20_000, 100_000, 5_000_000, 3_600_000_000])  # bunches, cycles and holes
TIMES = st.lists(STEPS, min_size=1, max_size=300).map(lambda steps: np.cumsum(np.array(steps, np.int64)))


@settings(max_examples=200, deadline=None)
@given(TIMES, TIMES, st.integers(-10_000_000, 10_000_000), st.sampled_from([0.0, 0.5, 2.0, 60.0]))
def test_last_value_before_each_moment(own: np.ndarray, moments: np.ndarray, shift: int, hold_s: float) -> None:
    moments = moments + shift
    speed = Series(own, np.arange(own.size, dtype=float))
    signals = Signals("v", 0, 1 << 61, {("vehicle_speed", ""): speed})
    expected = np.full(moments.size, np.nan)
    for i, t in enumerate(moments):
        before = np.flatnonzero((own <= t) & (own >= t - hold_s * 1e6))
        if before.size:
            expected[i] = before[-1]
    for asked in (signals, signals.remembering()):
        for _ in range(2):  # once found out, once remembered
            assert np.array_equal(asked.at(moments, "vehicle_speed", hold_s=hold_s), expected, equal_nan=True)


def test_values_at_its_own_times_are_a_copy() -> None:
    speed = Series(np.array([0, 1_000_000], np.int64), np.array([1.0, 2.0]))
    signals = Signals("v", 0, 2_000_000, {("vehicle_speed", ""): speed}).remembering()
    got = signals.at(speed.t, "vehicle_speed")
    got[:] = 9.0
    assert speed.v.tolist() == [1.0, 2.0]


def test_an_unknown_role_is_an_error() -> None:
    with pytest.raises(KeyError):
        Signals("v", 0, 1).at(np.array([0], np.int64), "no_such_role")
