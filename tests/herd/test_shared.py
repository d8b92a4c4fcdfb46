"""One cause or many: probabilities against published figures and scipy, decisions against the stated bounds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import hypergeom

from herdbook.pipeline.herd.shared import shared, tail, traits
from tests.herd.books import T0, catalogue, installed, vehicle


def test_the_lady_tasting_tea() -> None:
    """R. A. Fisher, The Design of Experiments (1935), chapter 2: all four cups right, 1 in 70; three or more, 17."""
    assert tail(4, 8, 4, 4) == pytest.approx(1 / 70, rel=1e-9)
    assert tail(3, 8, 4, 4) == pytest.approx(17 / 70, rel=1e-9)


def test_the_tail_is_that_of_scipy() -> None:
    rng = np.random.default_rng(11)
    for _ in range(300):
        herd = int(rng.integers(2, 10_000))
        marked, drawn = (int(n) for n in rng.integers(1, herd + 1, 2))
        k = int(rng.integers(0, min(marked, drawn) + 1))
        assert tail(k, herd, marked, drawn) == pytest.approx(
            hypergeom.sf(k - 1, herd, marked, drawn), rel=1e-6, abs=1e-12
        )


def herd_of(fresh: int, of: int) -> object:
    """`of` vehicles; the first `fresh` got firmware 2.3 on day 5, the others run 2.2 from day 0."""
    con = catalogue()
    for i in range(of):
        name = vehicle(con, f"V-{i:03d}", batch=f"B-{i % 4}")
        installed(con, name, "controller_firmware", "2.2", 0)
        if i < fresh:
            installed(con, name, "controller_firmware", "2.3", 5)
    return con


def test_a_roll_out_is_named_with_its_date() -> None:
    con = herd_of(12, 100)
    (found,) = shared("All", [f"V-{i:03d}" for i in (*range(11), 50)], traits(con))  # type: ignore[arg-type]
    assert (found.trait, found.value) == ("controller firmware", "2.3")
    assert (found.with_it, found.concerned, found.herd_with, found.herd) == (11, 12, 12, 100)
    assert found.since is not None
    assert (found.since[0] - T0).days == 5
    assert "11 of 12 vehicles have controller firmware 2.3, first seen on them on 2026-03-06" in found.words


@pytest.mark.parametrize(
    "vehicles",
    [
        ["V-000", "V-001"],  # two prove nothing
        [f"V-{i:03d}" for i in range(0, 100, 9)],  # spread over the herd
        [f"V-{i:03d}" for i in range(20, 32)],  # all with the firmware that nearly everybody has
        [],
    ],
)
def test_nothing_is_named_that_chance_would_give(vehicles: list[str]) -> None:
    assert shared("x", vehicles, traits(herd_of(12, 100))) == []  # type: ignore[arg-type]


def test_what_everybody_has_is_no_cause() -> None:
    con = catalogue()
    for i in range(30):
        vehicle(con, f"V-{i}", batch="B-1")
    assert shared("x", [f"V-{i}" for i in range(10)], traits(con)) == []


def test_groups_drawn_at_random_seldom_share_anything() -> None:
    """At a bound of 1 in 100 for a group, 300 groups drawn at random give 3; over 12 has a chance under 1 in 10,000."""
    con, rng = herd_of(30, 120), np.random.default_rng(5)
    of = traits(con)  # type: ignore[arg-type]
    called = sum(bool(shared("x", [f"V-{i:03d}" for i in rng.choice(120, 15, replace=False)], of)) for _ in range(300))
    assert called <= 12
