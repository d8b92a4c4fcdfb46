"""Rests are not joined across rows that are missing: while load flowed there was no steady moment to be a row."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics.shared.steady_moments import Steady, quiet_runs


def _table(seconds: np.ndarray) -> Steady:
    return Steady((seconds * 1e6).astype(np.int64), np.zeros(seconds.size), np.full((seconds.size, 3), 3.3), (1, 2, 3))


def test_a_rest_of_twenty_seconds_is_not_read_as_half_an_hour() -> None:
    """Ten seconds of rest, half an hour of wavering load without a row, twenty seconds of rest."""
    seconds = np.concatenate([np.arange(0, 10, 0.5), np.arange(1860, 1880, 0.5)])
    first, last = quiet_runs(_table(seconds), 0.6)
    assert seconds[first[-1]] - seconds[first[0]] == 9.5
    assert seconds[last[-1]] - seconds[last[0]] == 19.5


def test_rows_that_come_seldom_are_one_rest() -> None:
    (only,) = quiet_runs(_table(np.arange(0, 3600, 30.0)), 0.6)
    assert only.size == 120


def test_too_few_rows_are_no_rest() -> None:
    assert quiet_runs(_table(np.array([0.0, 1.0])), 0.6) == []
