"""The ratio of a group's resistance leans to neither side, and is given wherever it is worth something."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.metrics import cell_split
from tests.coverage.cells import WORLDS, draw


def test_ratios_of_a_weak_group_do_not_lean_toward_one() -> None:
    """Over rides of invented strings the excess of the weakest group is right within a per cent in the mean."""
    lean = []
    for run in range(14):
        ride = draw(np.random.default_rng([77, run]), WORLDS[0])
        factor = ride.parts[0] / np.median(ride.parts[0])
        weakest = int(factor.argmax())
        if factor[weakest] < 1.3:
            continue
        found = [m for m in ride.measured(cell_split.SET) if m.name == "cell_r_ratio" and int(m.item) == weakest + 1]
        lean += [(m.value - factor[weakest]) / (factor[weakest] - 1.0) for m in found]
    assert len(lean) >= 6
    assert abs(np.mean(lean)) < 0.01


def test_a_short_ride_of_coarse_steps_still_weighs_a_bad_group() -> None:
    """Little load and 10 mV steps: the ratio is vague, and three times the others is no matter of tenths."""
    rng = np.random.default_rng(3)
    seen = 0
    for _ in range(6):
        ride = draw(rng, WORLDS[2])
        seen += any(m.name == "cell_r_ratio" for m in ride.measured(cell_split.SET))
    assert seen >= 5
