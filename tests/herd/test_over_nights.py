"""Ninety nights of looking at sound herds: what is said by chance stays rare, night after night."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.science.looks import MEAN, SLOPE, over_nights
from tests.herd.nights import a_vehicle_year, falsely_listed, level_ever, stretch_ever


@pytest.mark.parametrize("alike", [0.0, 0.3])
def test_the_drift_list_names_less_than_one_sound_vehicle_in_ten_years(alike: float) -> None:
    """Each figure is looked at every night. Ten herds are 37 vehicle-years: two false names are 0.054."""
    found = [falsely_listed(np.random.default_rng([7, run]), alike) for run in range(10)]
    assert a_vehicle_year(sum(found), 10) < 0.1


def test_a_level_at_its_limit_is_hardly_ever_told_over_it() -> None:
    """A rule allows a chance of 0.003 a night, for all starts tried; over forty sessions it stays near that."""
    rng = np.random.default_rng(1)
    assert sum(level_ever(rng, 0.0) for _ in range(100)) <= 3
    assert not any(level_ever(rng, 1.0) for _ in range(30))


def test_hits_at_their_usual_share_are_hardly_ever_told() -> None:
    rng = np.random.default_rng(2)
    assert sum(stretch_ever(rng, 0.5, 0.5) for _ in range(60)) <= 6
    assert not any(stretch_ever(rng, 0.2, 0.5) for _ in range(40))


@pytest.mark.parametrize("rate", [MEAN, SLOPE])
def test_the_price_of_many_looks_is_what_a_path_of_chance_pays(rate: float) -> None:
    """Paths of independent values; a mean's or a slope's z after each of 6 to 60 of them, against one look's chance."""
    rng = np.random.default_rng(4)
    paths, first, last, z_one = 4000, 6, 60, 2.8
    values = rng.normal(size=(paths, last))
    tops = np.zeros(paths)
    for n in range(first, last + 1):
        weight = np.ones(n) if rate == MEAN else np.arange(n) - 0.5 * (n - 1)
        tops = np.maximum(tops, np.abs(values[:, :n] @ weight) / np.sqrt(weight @ weight))
    seen = float(np.mean(tops >= z_one))
    paid = over_nights(0.00511, last, first, rate)  # two-sided chance of 2.8
    assert 0.7 * seen < paid < 1.6 * seen
    assert over_nights(0.00511, first, first, rate) == 0.00511
