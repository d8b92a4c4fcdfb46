"""Drift toward a limit: a line that leads there is dated right, and noise gives no list."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from herdbook.pipeline.health.trend import careful_p
from herdbook.pipeline.herd.drift import discovery_level, drifts, significant
from herdbook.pipeline.store.connection import insert as insert_rows
from tests.herd.books import T0, Con, catalogue, metric, vehicle


def ratio(con: Con, name: str, values: list[float], item: str = "7", every: float = 5.0) -> None:
    """Resistance ratios of one group, one ride each `every` days."""
    vehicle(con, name, last=T0 + timedelta(days=every * len(values)))
    for i, value in enumerate(values):
        metric(con, name, "cell_r_ratio", value, i * every, item)


def test_a_straight_line_reaches_the_limit_when_it_does() -> None:
    """1.25 + 0.002 a day: 0.014 a week; 1.4 is reached on day 75. The rides end on day 45."""
    con = catalogue()
    rng = np.random.default_rng(1)
    ratio(con, "a", [1.25 + 0.01 * i + float(rng.normal(0, 0.001)) for i in range(10)])
    found = drifts(con)
    (d,) = found.rows
    assert (d.vehicle, d.item, d.rule, d.n, d.limit) == ("a", "7", "weak_group", 10, 1.4)
    assert d.slope == pytest.approx(0.014, rel=0.1)
    assert d.low <= d.slope <= d.high
    assert d.now == pytest.approx(1.34, abs=0.005)
    assert abs((d.likely - T0).total_seconds() / 86400 - 75) < 3
    assert d.earliest <= d.likely
    assert d.latest is None or d.likely <= d.latest


@pytest.mark.parametrize(
    "values",
    [
        [1.25 + 0.01 * i for i in range(5)],  # too few
        [1.00 + 0.01 * i for i in range(10)],  # rising, but not half-way
        [1.40 - 0.01 * i for i in range(10)],  # going away from it
        [1.45 + 0.01 * i for i in range(10)],  # past it: a finding, not a drift
        [1.30] * 10,
        [1.25 + 0.00001 * i for i in range(10)],  # rising, but not there within any time worth a date
    ],
)
def test_what_does_not_lead_there_is_not_listed(values: list[float]) -> None:
    con = catalogue()
    ratio(con, "a", values)
    assert drifts(con).rows == ()


def test_either_sign_counts_where_both_are_bad() -> None:
    con = catalogue()
    vehicle(con, "a", last=T0 + timedelta(days=60))
    for i in range(12):
        metric(con, "a", "cell_offset_top_pct", -1.6 - 0.05 * i, 5.0 * i, "4", "%")
    (d,) = drifts(con).rows
    assert (d.limit, d.rule) == (-3.0, "out_of_balance")
    assert d.slope < 0


def test_a_profile_s_own_limit_is_used() -> None:
    con = catalogue()
    ratio(con, "a", [1.25 + 0.01 * i for i in range(10)])
    (d,) = drifts(con, {"demo": {"weak_group.act": 1.5}}).rows
    assert d.limit == 1.5


def test_sooner_comes_first() -> None:
    con = catalogue()
    ratio(con, "slow", [1.25 + 0.005 * i for i in range(12)])
    ratio(con, "fast", [1.25 + 0.010 * i for i in range(12)])
    assert [d.vehicle for d in drifts(con).rows] == ["fast", "slow"]


def test_noise_gives_no_list() -> None:
    """3,000 series of noise near the limit: at 1 in 20 for all together, two lines have a chance under 1 in 700."""
    con, rng = catalogue(), np.random.default_rng(8)
    n, rides = 3000, 15
    names = [f"V-{i:04d}" for i in range(n)]
    insert_rows(
        con,
        "vehicles",
        pl.DataFrame({"vehicle": names, "profile": "demo"}).with_columns(
            last_t=pl.lit(T0 + timedelta(days=rides)), first_t=pl.lit(T0)
        ),
    )
    insert_rows(
        con,
        "metrics",
        pl.DataFrame(
            {
                "vehicle": np.repeat(names, rides),
                "name": "cell_r_ratio",
                "item": "1",
                "unit": "1",
                "n": 1,
                "coverage": 1.0,
                "value": 1.3 + rng.normal(0, 0.03, n * rides),
                "start_t": [T0 + timedelta(days=int(d)) for d in np.tile(np.arange(rides), n)],
            }
        ),
    )
    found = drifts(con)
    assert found.tried > 2000
    assert len(found.rows) <= 1


def test_looking_at_all_series_at_once_finds_what_one_by_one_finds() -> None:
    """Against the Mann-Kendall test of pymannkendall, series by series; ties among them."""
    import pymannkendall

    rng = np.random.default_rng(4)
    series = []
    for _ in range(300):
        n = int(rng.integers(6, 30))
        walk = rng.normal(0, 1, n) + rng.choice([0.0, 0.1, 0.4]) * np.arange(n)
        series.append((np.round(walk) if rng.random() < 0.3 else walk).tolist())
    for p_most in (0.05, 0.001):
        picked = set(significant(series, p_most))
        sure = {i for i, values in enumerate(series) if pymannkendall.original_test(values).p < p_most}
        assert sure <= picked
        untied = {i for i in picked if len(set(series[i])) == len(series[i])}
        assert untied <= sure


@pytest.mark.parametrize("alike", [0.0, 0.5])
def test_where_nothing_drifts_few_lists_have_a_line(alike: float) -> None:
    """40 series a night, 100 herds; 1 in 20 is stated: over 12 of 100 then has a chance of under 1 in 500."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(21)
    lists = 0
    for _ in range(100):
        p = []
        for _ in range(40):
            n = int(rng.integers(8, 40))
            value = lfilter([1.0], [1.0, -alike], rng.normal(0, 1, n + 50))[50:]
            p.append(careful_p(np.cumsum(rng.uniform(0.5, 3, n)), value))
        lists += discovery_level(p, len(p)) > 0
    assert lists <= 12


def test_one_of_twenty_that_are_listed_may_be_false() -> None:
    """By hand: of 100 tried the third is under 3 x 0.05 / 100, the fourth is not."""
    assert discovery_level([0.0001, 0.0014, 0.0005, 0.01], 100) == 0.0014
    assert discovery_level([0.001], 100) == 0.0
    assert discovery_level([], 0) == 0.0
