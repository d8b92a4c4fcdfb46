"""How alike the groups of one string are, told by themselves: drawn spreads are found, and sound groups stay sound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science import string_fit
from herdbook.pipeline.science.string_alike import by_siblings
from herdbook.pipeline.science.string_fit import Moments, OpenCircuitCurve, standing_apart, weigh, weights
from tests.science.test_string_fit import curve

GROUPS, READINGS = 14, 30
NOISE_V = 0.0015


def string(rng: np.random.Generator, spread: float, shift: float = 0.0) -> tuple[OpenCircuitCurve, Moments]:
    """Groups that differ by `spread` times what sound ones may; group 3 (index 2) holds `shift` more besides."""
    days = np.sort(rng.choice(np.arange(0.0, 20.0), READINGS))
    z = rng.uniform(0.15, 0.9, READINGS)
    known = curve(z, days)
    size = (READINGS, GROUPS)
    drop = np.where(rng.uniform(size=READINGS) < 0.5, -0.006, 0.008)[:, None] * np.ones(GROUPS)
    m = Moments(z, np.zeros(size), np.full(size, NOISE_V), drop, days=days, knee=z < 0.12, bled=np.zeros(size))
    for k in range(GROUPS):
        own, sides = string_fit.sound_parts(known.mean, m, k)
        m.away[:, k] = sides @ rng.normal(0.0, spread, 4) + rng.normal(0.0, np.sqrt(own))
    m.away[:, 2] += (weights(z + shift) - weights(z)) @ known.mean
    return known, m


def told_alike(known: OpenCircuitCurve, m: Moments) -> Floats:
    found = by_siblings(known, m).alike
    assert found is not None
    return found


def scales(rng: np.random.Generator, spread: float) -> Floats:
    return np.asarray(np.mean([told_alike(*string(rng, spread)) for _ in range(10)], axis=(0, 1)))


def test_groups_that_are_alike_are_told_from_groups_that_differ_as_much_as_they_may() -> None:
    rng = np.random.default_rng(1)
    near, usual = scales(rng, 0.3), scales(rng, 1.0)
    assert (near[[0, 1]] < 0.65).all()  # the four groups' worth of what is known keeps it from 0.3
    assert (usual > 0.85).all()


def test_a_group_that_stands_out_of_its_siblings_is_told_where_it_was_lost_among_what_sound_ones_may() -> None:
    rng = np.random.default_rng(2)
    before, after = [], []
    for _ in range(7):
        known, m = string(rng, 0.3, shift=-0.05)
        before.append(weigh(known, m, 2).chance[""])
        after.append(weigh(by_siblings(known, m), m, 2).chance[""])
    assert np.median(after) < 0.25 * np.median(before)
    assert np.mean(np.array(after) < 0.02) > np.mean(np.array(before) < 0.02)


@pytest.mark.parametrize("spread", [0.3, 0.6, 1.0])
def test_sound_groups_are_called_sound_however_alike_they_are(spread: float) -> None:
    rng = np.random.default_rng(3)
    told = []
    for _ in range(8):
        known, m = string(rng, spread)
        by = by_siblings(known, m)
        apart = standing_apart(by, m, range(GROUPS))
        told += [k in apart and weigh(by, m, k).chance[""] < 0.02 for k in range(GROUPS)]
    assert np.mean(told) <= 0.03


def test_a_group_has_no_part_in_what_its_siblings_are() -> None:
    """Else a bad one would widen the measure by which it is judged."""
    known, m = string(np.random.default_rng(4), 0.3)
    worse = replace(m, away=m.away + np.where(np.arange(GROUPS) == 2, -0.03, 0.0))
    same, other = told_alike(known, m), told_alike(known, worse)
    assert other[2] == pytest.approx(same[2])
    assert other[3, 0] > 1.3 * same[3, 0]  # of its reading, by which it is off
