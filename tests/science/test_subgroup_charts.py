"""Charts of subgroups against the printed table of factors, hand calculation and simulation; single values too."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.science.control_charts import baseline
from herdbook.pipeline.science.normal_samples import c4
from herdbook.pipeline.science.subgroup_charts import by_chance, spread_factors, subgroup_charts

# NIST/SEMATECH e-Handbook, 6.3.2.1, table of factors, from memory: n, A2, D3, D4, c4
FACTORS = """
2 1.880 0     3.267 .7979
3 1.023 0     2.575 .8862
4 0.729 0     2.282 .9213
5 0.577 0     2.115 .9400
6 0.483 0     2.004 .9515
7 0.419 0.076 1.924 .9594
8 0.373 0.136 1.864 .9650
9 0.337 0.184 1.816 .9693
10 0.308 0.223 1.777 .9727
"""


@pytest.mark.parametrize("line", FACTORS.strip().splitlines())
def test_the_limits_are_those_of_the_printed_factors(line: str) -> None:
    """Means: A2 ranges away; ranges: from D3 to D4 times the mean range."""
    n, a2, low, high, c = (float(x) for x in line.split())
    groups = [np.linspace(0, 1, int(n)) + 0.1 * k for k in range(5)]
    found = subgroup_charts(groups, 5, "R")
    mean_range = float(found.spreads.mean())
    assert (found.mean_high[0] - found.mean) / mean_range == pytest.approx(a2, abs=6e-4)
    assert found.spread_high[0] / mean_range == pytest.approx(high, abs=1e-3)
    assert found.spread_low[0] / mean_range == pytest.approx(low, abs=1e-3)
    assert c4(int(n)) == pytest.approx(c, abs=6e-5)


def test_the_single_values_of_the_handbook() -> None:
    """NIST/SEMATECH 6.3.2.2, batches 1 to 10, from memory: mean 50.81, mean moving range 1.8778, limits 55.8041 and
    45.8159 (by 1.128)."""
    about = baseline(np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]))
    assert about.mean == pytest.approx(50.81)
    assert about.sd * 1.128379 == pytest.approx(1.8778, abs=5e-5)
    assert about.mean + 3 * about.sd == pytest.approx(55.8041, abs=0.003)
    assert about.mean - 3 * about.sd == pytest.approx(45.8159, abs=0.003)


def test_standard_deviations_by_hand() -> None:
    """Groups of 2 and of 3: each with its own limits from one sd within."""
    groups = [np.array([1.0, 3.0]), np.array([2.0, 4.0, 6.0])]
    found = subgroup_charts(groups, 2, "S")
    within = (2**0.5 / 0.797885 + 2 / 0.886227) / 2
    assert found.within == pytest.approx(within, rel=1e-6)
    assert found.mean == pytest.approx(16 / 5)
    assert found.mean_high - found.mean == pytest.approx([3 * within / 2**0.5, 3 * within / 3**0.5], rel=1e-6)
    assert found.spread_high[1] == pytest.approx(within * (0.886227 + 3 * (1 - 0.886227**2) ** 0.5), rel=1e-5)
    assert found.spread_low.tolist() == [0.0, 0.0]


def test_ranges_up_to_ten_then_standard_deviations() -> None:
    rng = np.random.default_rng(1)
    assert subgroup_charts(list(rng.normal(0, 1, (5, 10))), 5).spread == "R"
    assert subgroup_charts(list(rng.normal(0, 1, (5, 11))), 5).spread == "S"
    assert spread_factors(5, "R") == pytest.approx((2.32593, 0.86408), abs=2e-5)  # CHECKS-2


def test_a_steady_line_is_rare_as_often_as_it_says() -> None:
    """Of 200 steady lines of 30 groups of 4, 2 to 9 % are called rarer than 5 %."""
    rng = np.random.default_rng(5)
    rare = sum(by_chance(subgroup_charts(list(rng.normal(3, 2, (30, 4))), 25)) < 0.05 for _ in range(200))
    assert 4 <= rare <= 18


def test_a_shift_of_means_and_a_wider_spread_are_each_seen() -> None:
    rng = np.random.default_rng(6)
    y = rng.normal(0, 1, (30, 5))
    y[27] += 2.5
    found = subgroup_charts(list(y), 25)
    assert found.mean_out[27]
    assert by_chance(found) < 0.01
    y[27] = 4 * (y[28] - y[28].mean())
    found = subgroup_charts(list(y), 25)
    assert found.spread_out[27]


@pytest.mark.parametrize("groups", [[[1.0, 2.0]], [[1.0, 2.0], [1.0]], [[1.0, 1.0], [2.0, 2.0]]])
def test_what_gives_no_chart_is_refused(groups: list[list[float]]) -> None:
    with pytest.raises(ValueError, match=r"two groups|alike"):
        subgroup_charts([np.array(g) for g in groups], 9)
