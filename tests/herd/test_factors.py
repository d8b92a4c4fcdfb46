"""Is it the batch, the firmware, the site, the season? Over an invented herd whose truth is known."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

from herdbook.pipeline.health.herd_figures import figure
from herdbook.pipeline.herd.factors import FactorDifference, factor_differences
from tests.herd.books import T0, Con, catalogue, insert

USE = (figure("use"),)


def herd(con: Con, groups: list[tuple[str, str, int, float]], seasonal: float = 0.0, months: int = 2) -> None:
    """groups: batch, site, how many, energy a kilometre. A value every tenth day; seasonal: more in the winter."""
    draw, n = np.random.default_rng(1), 0
    for batch, site, many, level in groups:
        for _ in range(many):
            name = f"v{n:03d}"
            n += 1
            about = {"built": T0.date(), "first_t": T0, "last_t": T0 + timedelta(days=30 * months)}
            insert(con, "vehicles", vehicle=name, profile="demo", batch=batch, customer_ref=site, **about)
            days = np.arange(0, 30 * months, 10)
            winter = np.array([(T0 + timedelta(days=int(d))).month in (12, 1, 2) for d in days])
            y = level + draw.normal(0, 0.5) + draw.normal(0, 0.5, days.size) + seasonal * winter
            con.execute(
                "INSERT INTO metrics SELECT ?, ? + to_days(10 * i::INT), 'consumption_wh_km', '', values[i + 1], "
                "'Wh/km', NULL, 1, 1 FROM (SELECT unnest(range(0, ?)) AS i, ?::DOUBLE[] AS values)",
                [name, T0, days.size, y.tolist()],
            )


def told(con: Con) -> dict[tuple[str, str], FactorDifference]:
    found, _ = factor_differences(con, USE)
    return {(f.factor, f.level): f for f in found}


def test_a_batch_that_draws_more_on_every_site_is_told() -> None:
    con = catalogue()
    herd(con, [("A", "hill", 15, 22), ("A", "flat", 15, 20), ("B", "hill", 15, 20), ("B", "flat", 15, 18)])
    found = told(con)
    batch = found["batch", "A"]
    assert batch.differs
    assert batch.within is not None
    assert batch.within.low < 2.0 < batch.within.high
    site = found["site", "flat"]
    assert site.within is not None
    assert site.within.low < -2.0 < site.within.high


def test_a_batch_ridden_on_the_hill_is_not_blamed() -> None:
    con = catalogue()
    herd(con, [("A", "hill", 28, 22), ("A", "flat", 6, 18), ("B", "hill", 6, 22), ("B", "flat", 28, 18)])
    batch = told(con)["batch", "A"]
    assert batch.crude.p < 1e-6
    assert not batch.differs
    assert batch.words == "differs over all, not with the rest taken off"


def test_what_never_meets_cannot_be_told_apart() -> None:
    con = catalogue()
    herd(con, [("A", "hill", 15, 22), ("B", "flat", 15, 18)])
    assert told(con)["batch", "A"].words == "cannot be told apart from site"


def test_a_season_is_seen_within_each_vehicle() -> None:
    con = catalogue()
    herd(con, [("A", "hill", 10, 20)], seasonal=1.5, months=14)
    winter = told(con)["season", "December to February"]
    assert winter.differs
    assert winter.within is not None
    assert abs(winter.within.value - 1.5) < 0.4


def test_small_groups_are_named_and_not_compared() -> None:
    con = catalogue()
    herd(con, [("A", "hill", 3, 22), ("B", "hill", 15, 18)])
    found, left_out = factor_differences(con, USE)
    assert not found
    assert "Under 5 vehicles of demo, and not compared: batch A" in left_out
    assert "One site of demo on record: nothing to compare" in left_out


def test_alike_groups_are_called_different_in_few_herds() -> None:
    """50 herds, 4 batches and 3 sites of 20 figures: one regression each, held to one false discovery rate."""
    from herdbook.pipeline.science.adjusted import difference, dummies
    from herdbook.pipeline.science.strata import false_discovery

    draw, wrong = np.random.default_rng(5), 0
    for _ in range(50):
        batch, site = draw.integers(0, 4, 60), draw.integers(0, 3, 60)
        beside = dummies([str(s) for s in site])
        p = []
        for _ in range(20):
            y = site + draw.standard_t(5, 60)
            p += [d.p for b in range(4) if (d := difference(y, batch == b, beside))]
        wrong += bool(np.any(false_discovery(np.array(p), dependent=True) <= 0.05))
    assert wrong <= 6, wrong
