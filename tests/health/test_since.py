"""A stretch that began lately is found, a lucky one is not, and every place tried is paid for."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from herdbook.pipeline.health.since import newest_stretch
from herdbook.pipeline.science.binomial import tail


def rows(sessions: int, each: int) -> pl.DataFrame:
    return pl.DataFrame({"session_start_t": np.repeat(np.arange(sessions), each), "k": np.arange(sessions * each)})


def test_what_began_in_the_eighth_of_ten_sessions_is_judged_from_there() -> None:
    hit = np.arange(50) >= 35
    found = newest_stretch(rows(10, 5), hit, usual=0.5)
    assert (found.before, found.rows.height, found.hit.height) == (35, 15, 15)
    assert found.chance == pytest.approx(10 * tail(15, 15, 0.5))


def test_what_was_always_so_is_judged_whole() -> None:
    found = newest_stretch(rows(4, 5), np.ones(20, bool), usual=0.5)
    assert found.before == 0
    assert found.chance == pytest.approx(4 * 0.5**20)


def test_nothing_is_certain_of_nothing() -> None:
    assert newest_stretch(rows(4, 5), np.zeros(20, bool), usual=0.5).chance == 1.0
    assert newest_stretch(rows(0, 0), np.zeros(0, bool), usual=0.5).chance == 1.0


def test_hits_by_chance_are_called_so_as_often_as_stated() -> None:
    rng = np.random.default_rng(5)
    some = rows(12, 6)
    called = [newest_stretch(some, rng.random(72) < 0.2, usual=0.2).chance <= 0.05 for _ in range(400)]
    assert np.mean(called) <= 0.05
