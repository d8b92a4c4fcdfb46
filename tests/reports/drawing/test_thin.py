"""Thinning must keep what the eye looks for. Checked against a loop that shares no code with it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.pipeline.reports.drawing.thin import gaps, keep, thin


@given(st.integers(1, 5000), st.integers(4, 900), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_the_extremes_of_every_slice_survive(n: int, points: int, seed: int) -> None:
    v = np.random.default_rng(seed).normal(size=n)
    kept = keep(v, points)
    assert kept.size <= points + 2
    assert (np.diff(kept) > 0).all()
    if n > points:
        edges = [int(x) for x in np.linspace(0, n, points // 2 + 1)]
        for a, b in pairwise(edges):
            inside = v[[i for i in kept if a <= i < b]]
            assert inside.min() == min(v[a:b])
            assert inside.max() == max(v[a:b])


def test_a_one_sample_spike_in_half_a_million_survives() -> None:
    v = np.zeros(500_000)
    v[271_828] = 99.0
    v[314_159] = -99.0
    _, drawn = thin(np.arange(500_000, dtype=np.int64) * 10_000, v, 2000)
    assert drawn.size <= 2002
    assert 99.0 in drawn
    assert -99.0 in drawn


def test_an_interruption_is_a_hole_and_not_a_line() -> None:
    t = np.concatenate((np.arange(1000), np.arange(100_000, 101_000))).astype(np.int64) * 10_000
    assert gaps(t).sum() == 1
    _, drawn = thin(t, np.ones(2000), 100)
    assert np.isnan(drawn).sum() == 1


@pytest.mark.parametrize("n", [0, 1, 2])
def test_nothing_and_almost_nothing(n: int) -> None:
    t, v = thin(np.arange(n, dtype=np.int64), np.ones(n), 100)
    assert t.size == v.size == n


def test_not_a_numbers_do_not_hide_the_rest() -> None:
    v = np.full(10_000, np.nan)
    v[5_000] = 7.0
    _, drawn = thin(np.arange(10_000, dtype=np.int64), v, 100)
    assert np.nanmax(drawn) == 7.0
