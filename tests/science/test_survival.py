"""Lives against printed results: NIST/SEMATECH e-Handbook 8.4.1.3 (data 8.2.2.1), the leukaemia trial of Freireich et
al. (Blood 21 (1963) 699), R's survival on late entries (figures in surpyval's reference data), and lifelines' table of
psychiatric patients; and how often intervals hold the truth.
"""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.survival import Lives, curve, log_rank, weibull
from tests.external.fetch import folder_of

NIST = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
TREATED = ([6, 6, 6, 7, 10, 13, 16, 22, 23], [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35])
UNTREATED = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def lives(failed: list[float], alive: list[float] | None = None, entry: Floats | None = None) -> Lives:
    ends = np.array([*failed, *(alive or [])], dtype=float)
    began = np.zeros(ends.size) if entry is None else entry
    return Lives(began, ends, np.arange(ends.size) < len(failed))


def test_weibull_with_censoring_as_nist_prints_it() -> None:
    fit = weibull(lives([*NIST], [500.0] * 10))
    assert fit is not None
    assert fit.scale == pytest.approx(606.5280, abs=0.001)
    assert fit.shape == pytest.approx(1.7208, abs=5e-5)
    assert fit.log_likelihood == pytest.approx(-75.135, abs=0.001)
    # likelihood interval: computed by two routes, sheet of outside checks
    assert fit.scale_low == pytest.approx(437.557, abs=0.01)
    assert fit.scale_high == pytest.approx(1118.878, abs=0.01)
    assert fit.shape_low == pytest.approx(0.905645, abs=1e-5)
    assert fit.shape_high == pytest.approx(2.885738, abs=1e-5)


def test_kaplan_meier_and_log_rank_of_the_leukaemia_trial() -> None:
    treated, untreated = lives([*TREATED[0]], [*TREATED[1]]), lives([*UNTREATED])
    found = curve(treated)
    times, printed = (6, 7, 10, 13, 16, 22, 23), [0.8571, 0.8067, 0.7529, 0.6902, 0.6275, 0.5378, 0.4482]
    assert [found.at(t) for t in times] == pytest.approx(printed, abs=5e-5)
    assert (found.median, found.at(5.9)) == (23, 1.0)
    test = log_rank(treated, untreated)
    assert test is not None
    assert test.chi2 == pytest.approx(16.792941, abs=1e-6)
    assert test.p == pytest.approx(4.1688e-5, rel=1e-4)


def test_late_entry_as_r_has_it() -> None:
    source = folder_of("surpyval")
    if source is None:
        pytest.skip("surpyval's reference data are not here: make sources")
    text = (source / "surpyval/tests/reference/data/fixtures.json").read_text("utf-8")
    of = {key: np.array(value, dtype=float) for key, value in json.loads(text)["left_truncation"]["columns"].items()}
    found = curve(Lives(of["tl"], of["x"], of["c"] == 0))
    assert [found.at(t) for t in (0.73, 3.82, 10.57)] == pytest.approx([0.947368, 0.424788, 0.0393635], abs=5e-7)
    assert found.median == 3.4
    assert found.hazard[-1] == pytest.approx(2.927524, abs=1e-6)


def test_weibull_with_late_entry() -> None:
    """Estimates by two routes, sheet of outside checks; what is lost when the entry is ignored is seen too."""
    source = folder_of("lifelines")
    if source is None:
        pytest.skip("lifelines' tables are not here: make sources")
    with (source / "lifelines/datasets/psychiatric_patients.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    age = np.array([float(row["Age"]) for row in rows])
    end, dead = age + np.array([float(row["T"]) for row in rows]), np.array([row["C"] == "1" for row in rows])
    fit, ignored = weibull(Lives(age, end, dead)), weibull(Lives(np.zeros(26), end, dead))
    assert fit is not None
    assert ignored is not None
    assert fit.scale == pytest.approx(68.68994, abs=1e-5)
    assert fit.shape == pytest.approx(8.406476, abs=1e-6)
    assert fit.scale_low == pytest.approx(64.66188, abs=1e-4)
    assert fit.scale_high == pytest.approx(74.41465, abs=1e-4)
    assert fit.shape_low == pytest.approx(4.914199, abs=1e-5)
    assert fit.shape_high == pytest.approx(12.540943, abs=1e-5)
    assert ignored.scale == pytest.approx(68.93557, abs=1e-5)
    assert ignored.shape == pytest.approx(8.947511, abs=1e-6)


@pytest.mark.parametrize("late", [False, True])
def test_likelihood_intervals_hold_the_truth_as_often_as_they_say(late: bool) -> None:
    """400 herds of 40 parts with scale 900 and shape 1.8, followed to day 700, some from a later day on. 95 % of 400
    lies within 0.926 and 0.974 with 97 %; a chi-squared interval of so few failures covers a little less."""
    draw = np.random.default_rng(11)
    held, runs = np.zeros(2), 400
    for _ in range(runs):
        entry = draw.uniform(0, 300, 40) if late else np.zeros(40)
        start = (entry / 900) ** 1.8
        life = 900 * (draw.exponential(size=40) + start) ** (1 / 1.8)  # of those alive at entry
        fit = weibull(Lives(entry, np.minimum(life, 700), life < 700))
        assert fit is not None
        ends = ((fit.scale_low, 900, fit.scale_high), (fit.shape_low, 1.8, fit.shape_high))
        held += [(low or 0) <= truth <= (high or np.inf) for low, truth, high in ends]
    assert np.all((held / runs > 0.92) & (held / runs < 0.985)), held / runs


def test_the_band_of_a_curve_holds_the_truth() -> None:
    draw = np.random.default_rng(12)
    held, runs = 0, 600
    for _ in range(runs):
        life, seen = draw.exponential(100, 60), draw.uniform(20, 200, 60)
        found = curve(Lives(np.zeros(60), np.minimum(life, seen), life <= seen))
        i = int(np.searchsorted(found.times, 60.0, side="right")) - 1
        held += bool(found.low[i] <= np.exp(-0.6) <= found.high[i])
    assert 0.925 < held / runs < 0.98, held / runs


def test_what_cannot_be_told_is_not_told() -> None:
    assert weibull(lives([100.0], [500.0] * 9)) is None
    assert weibull(lives([], [500.0])) is None
    assert log_rank(lives([5.0]), Lives(np.array([6.0]), np.array([9.0]), np.array([True]))) is None
    empty = curve(lives([], [3.0]))
    assert (empty.at(100), empty.median) == (1.0, None)
    with pytest.raises(ValueError, match="ends after its beginning"):
        lives([0.0])
