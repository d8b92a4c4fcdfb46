"""Mixed models against printed results: reaction times of D. Belenky et al. (J. Sleep Res. 12 (2003) 1; lme4's output
as in D. Bates et al., J. Stat. Softw. 67 (2015) 1), yields of dyestuff (O. L. Davies, 1947; exact by analysis of
variance), weights of pigs (statsmodels' documentation). And that a forecast holds what comes.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.science.mixed_model import Unit, fit, fit_lines, foretell, lowest
from tests.external.fetch import folder_of

SLEEP = """
249.5600 258.7047 250.8006 321.4398 356.8519 414.6901 382.2038 290.1486 430.5853 466.3535
222.7339 205.2658 202.9778 204.7070 207.7161 215.9618 213.6303 217.7272 224.2957 237.3142
199.0539 194.3322 234.3200 232.8416 229.3074 220.4579 235.4208 255.7511 261.0125 247.5153
321.5426 300.4002 283.8565 285.1330 285.7973 297.5855 280.2396 318.2613 305.3495 354.0487
287.6079 285.0000 301.8206 320.1153 316.2773 293.3187 290.0750 334.8177 293.7469 371.5811
234.8606 242.8118 272.9613 309.7688 317.4629 309.9976 454.1619 346.8311 330.3003 253.8644
283.8424 289.5550 276.7693 299.8097 297.1710 338.1665 332.0265 348.8399 333.3600 362.0428
265.4731 276.2012 243.3647 254.6723 279.0244 284.1912 305.5248 331.5229 335.7469 377.2990
241.6083 273.9472 254.4907 270.8021 251.4519 254.6362 245.4523 235.3110 235.7541 237.2466
312.3666 313.8058 291.6112 346.1222 365.7324 391.8385 404.2601 416.6923 455.8643 458.9167
236.1032 230.3167 238.9256 254.9220 250.7103 269.7744 281.5648 308.1020 336.2806 351.6451
256.2968 243.4543 256.2046 255.5271 268.9165 329.7247 379.4445 362.9184 394.4872 389.0527
250.5265 300.0576 269.8939 280.5891 271.8274 304.6336 287.7466 266.5955 321.5418 347.5655
221.6771 298.1939 326.8785 346.8555 348.7402 352.8287 354.4266 360.4326 375.6406 388.5417
271.9235 268.4369 257.2424 277.6566 314.8222 317.2135 298.1353 348.1229 340.2800 366.5131
225.2640 234.5235 238.9008 240.4730 267.5373 344.1937 281.1481 347.5855 365.1630 372.2288
269.8804 272.4428 277.8989 281.7895 279.1705 284.5120 259.2658 304.6306 350.7807 369.4692
269.4117 273.4740 297.5968 310.6316 287.1726 329.6076 334.4818 343.2199 369.1417 364.1236
"""
DYESTUFF = (
    *((1545, 1440, 1440, 1520, 1580), (1540, 1555, 1490, 1560, 1495), (1595, 1550, 1605, 1510, 1560)),
    *((1445, 1440, 1595, 1465, 1545), (1595, 1630, 1515, 1635, 1625), (1520, 1455, 1450, 1480, 1445)),
)


def unit(t: Floats, y: Floats, own: int) -> Unit:
    """A line for all; of its own an intercept, and a slope where own is 2."""
    x = np.stack([np.ones(t.size), t], axis=1)
    return Unit(y, x, x[:, :own], t, np.ones(t.size))


def sleep() -> list[Unit]:
    days = np.arange(10.0)
    return [unit(days, np.array(row.split(), dtype=float), own=2) for row in SLEEP.strip().splitlines()]


def test_reaction_times_as_lme4_prints_them() -> None:
    found = fit(sleep())
    assert found.criterion == pytest.approx(1743.628, abs=0.001)
    assert found.beta == pytest.approx([251.405, 10.467], abs=0.001)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([6.825, 1.546], abs=0.001)
    sd = np.sqrt(np.diag(found.own))
    assert sd == pytest.approx([24.740, 5.922], abs=0.005)
    assert found.own[0, 1] / (sd[0] * sd[1]) == pytest.approx(0.0656, abs=0.002)
    assert found.noise == pytest.approx(25.592, abs=0.002)
    assert fit(sleep(), restricted=False).criterion == pytest.approx(1751.939, abs=0.001)


def test_yields_of_dyestuff_as_the_analysis_of_variance_has_them() -> None:
    ones = np.ones((5, 1))
    units = [Unit(np.array(row, float), ones, ones, np.arange(5.0), np.ones(5)) for row in DYESTUFF]
    found = fit(units)
    assert found.beta[0] == pytest.approx(1527.5)
    assert found.own[0, 0] == pytest.approx(1764.05, rel=1e-3)
    assert found.noise**2 == pytest.approx(2451.25, rel=1e-4)


def test_weights_of_pigs_as_statsmodels_prints_them() -> None:
    folder = folder_of("statsmodels")
    if folder is None:
        pytest.skip("statsmodels' table is not fetched: python tests/external/fetch.py")
    table = folder / "statsmodels" / "regression" / "tests" / "results" / "dietox.csv"
    pigs: dict[str, list[tuple[float, float]]] = {}
    head, *rows = csv.reader(table.read_text("utf-8").splitlines())
    for _, *row in rows:  # each begins with its number, which the head does not name
        of = dict(zip(head, row, strict=True))
        pigs.setdefault(of["Pig"], []).append((float(of["Time"]), float(of["Weight"])))
    units = [unit(np.array([t for t, _ in own]), np.array([w for _, w in own]), own=1) for own in pigs.values()]
    found = fit(units)
    assert found.beta == pytest.approx([15.724, 6.943], abs=0.001)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([0.788, 0.033], abs=0.001)
    assert found.own[0, 0] == pytest.approx(40.394, abs=0.01)
    assert found.noise**2 == pytest.approx(11.3669, abs=0.001)
    assert -found.criterion / 2 == pytest.approx(-2404.7753, abs=0.001)


def test_a_mean_of_readings_says_as_much_as_they_do() -> None:
    """Values that are means of several readings of one time, with that weight: the same line and its error."""
    draw = np.random.default_rng(3)
    means, singles = [], []
    for _ in range(12):
        t = np.repeat(np.arange(8.0), 4)
        y = draw.normal(0, 1) + 0.3 * t + draw.normal(0, 0.5, t.size)
        singles.append(unit(t, y, own=1))
        one = unit(np.arange(8.0), y.reshape(8, 4).mean(axis=1), own=1)
        means.append(Unit(one.y, one.x, one.z, one.t, np.full(8, 4.0)))
    every, few = fit(singles), fit(means)
    assert few.beta == pytest.approx(every.beta, rel=1e-6)
    assert few.noise == pytest.approx(every.noise, rel=0.15)


def test_wander_is_told_from_noise_and_from_lines() -> None:
    draw, units = np.random.default_rng(5), []
    for _ in range(60):
        t = np.sort(draw.uniform(0, 200, 20))
        near = np.exp(-np.abs(t[:, None] - t[None, :]) / 15.0)
        wander = np.linalg.cholesky(near + 1e-9 * np.eye(20)) @ draw.normal(0, 0.8, 20)
        units.append(unit(t / 100, draw.normal(0, 2) + (1 + draw.normal(0, 0.5)) * t / 100 + wander, own=2))
        units[-1] = Unit(units[-1].y + draw.normal(0, 0.4, 20), units[-1].x, units[-1].z, t, np.ones(20))
    models = fit_lines(units, (3.0, 35.0))
    _, found = max(models, key=lambda m: m[0])
    assert sum(weight for weight, _ in models) == pytest.approx(1.0, abs=0.02)
    assert found.wander == pytest.approx(0.8, rel=0.15)
    assert found.noise == pytest.approx(0.4, rel=0.2)
    assert 8 < found.memory < 25
    assert np.sqrt(found.own[0, 0]) == pytest.approx(2, rel=0.3)
    spreads = [float(np.sqrt(model.own[1, 1])) for _, model in models]
    assert min(spreads) < 0.5 < max(spreads)


def test_a_unit_with_few_values_is_drawn_to_the_others() -> None:
    """With one value its slope is the common one; the error is that of another unit's slope."""
    units = sleep()
    found = fit(units)
    at = np.array([0.0, 9.0])
    x = np.stack([np.ones(2), at], axis=1)
    one = foretell(found, unit(np.array([0.0]), np.array([250.0]), own=2), x, x, at)
    slope = float(one.line[1] - one.line[0]) / 9
    assert slope == pytest.approx(10.467, abs=0.5)
    full = foretell(found, units[0], x, x, at)
    assert full.line_se[1] < one.line_se[1]


def test_the_search_finds_a_known_valley() -> None:
    valley = lowest(lambda p: float((1 - p[0]) ** 2 + 100 * (p[1] - p[0] ** 2) ** 2), np.array([-1.2, 1.0]), 0.5, 1e-12)
    assert valley == pytest.approx([1, 1], abs=1e-3)
