"""Where a vehicle stands, over an invented herd."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from herdbook.pipeline.errors import NotKnownError
from herdbook.pipeline.herd.standing import FigureStanding, standing
from tests.herd.books import T0, Con, catalogue, insert, metric, vehicle

DAYS = 60


def ridden(con: Con, name: str, values: list[float], in_service: int = 0, profile: str = "demo") -> None:
    """A session a day with one value each; in service so many days before T0, with 10 km on each day."""
    last = T0 + timedelta(days=len(values))
    about = {"in_service": (T0 - timedelta(days=in_service)).date(), "first_t": T0, "last_t": last}
    insert(con, "vehicles", vehicle=name, profile=profile, **about)
    for i, value in enumerate(values):
        metric(con, name, "consumption_wh_km", value, float(i), unit="Wh/km")


def energy(con: Con, name: str) -> FigureStanding:
    [one] = [s for s in standing(con, name) if s.figure.name == "use"]
    return one


def test_a_vehicle_far_out_is_told_and_one_like_the_others_is_not() -> None:
    con, draw = catalogue(), np.random.default_rng(1)
    for i in range(40):
        ridden(con, f"v{i}", draw.normal(20, 1, 12).tolist())
    ridden(con, "odd", [30.0] * 12)
    ridden(con, "other type", [90.0] * 12, profile="else")
    odd = energy(con, "odd")
    assert odd.words == "higher than 40 of 40"
    assert odd.among is not None
    assert odd.among.p == pytest.approx(2 / 41)
    assert odd.among.high < 30
    assert odd.past is None
    usual = energy(con, "v0")
    assert usual.among is not None
    assert usual.among.n == 40
    assert energy(con, "other type").words == "not enough to say: 0 peers"


def test_an_old_vehicle_is_held_against_what_age_explains() -> None:
    con, draw = catalogue(), np.random.default_rng(2)
    for i in range(40):
        age = int(draw.integers(10, 800))
        ridden(con, f"v{i}", (15 + 0.02 * age + draw.normal(0, 0.5, 12)).tolist(), in_service=age)
    ridden(con, "old", [31.0] * 12, in_service=800)
    old = energy(con, "old")
    assert old.taken_off == ("age",)
    assert old.among is not None
    assert 10 < old.among.percent < 90
    ridden(con, "young", [31.0] * 12, in_service=20)
    assert energy(con, "young").words == "higher than 41 of 41"


def test_its_own_past_is_the_second_yardstick() -> None:
    con, draw = catalogue(), np.random.default_rng(3)
    ridden(con, "a", [*draw.normal(20, 0.5, 50).tolist(), *[25.0] * 10])
    one = energy(con, "a")
    assert one.past is not None
    assert (one.past.stretches, one.past.lower) == (5, 5)
    assert one.past_words == "higher than 5 of 5 earlier stretches"


def test_a_vehicle_nobody_knows_is_named() -> None:
    con = catalogue()
    vehicle(con, "a")
    assert standing(con, "a") == []
    with pytest.raises(NotKnownError, match="'b' has no record"):
        standing(con, "b")
