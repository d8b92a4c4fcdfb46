"""New findings against the usual false rate: the arithmetic of exposure, Poisson tails against scipy."""

from __future__ import annotations

from datetime import timedelta

import pytest
from scipy.stats import chi2, poisson

from herdbook.pipeline.health.judged import JudgedSet, RuleCount
from herdbook.pipeline.herd.false_rate import MONTH_DAYS, chances, vehicle_months
from herdbook.pipeline.herd.night import newest_night
from tests.herd.books import catalogue, closed, log

JUDGED = JudgedSet(
    (1,),
    200,
    400.0,
    100,
    200.0,
    {
        "often_wrong": RuleCount(20, 10, 2, 8, 4),
        "never_wrong": RuleCount(9, 9, 0, 0, 0),
    },
)


def test_the_night_s_record_counts_from_where_each_vehicle_s_ended() -> None:
    con = catalogue()
    log(con, "a", 0, hours=24, received=1)
    closed(con, "s1", 1)
    log(con, "a", 9, hours=24, received=11)  # record of a: day 1 to 10
    log(con, "b", 4, hours=48, received=11)  # new vehicle: day 4 to 6
    log(con, "a", 0.2, hours=1, received=11)  # a late log of old days adds nothing
    closed(con, "s2", 11, minutes=60)
    log(con, "a", 20, received=30)  # not of this night
    night = newest_night(con)
    assert night is not None
    assert night.ended - night.since == timedelta(days=10, minutes=50)
    assert vehicle_months(con, night) == pytest.approx((9 + 2) / MONTH_DAYS)


def test_expected_and_tail() -> None:
    """Upper end: exact interval of a Poisson count, by the chi-square form of Garwood (1936)."""
    together, first, second, third = chances(["often_wrong"] * 3 + ["never_wrong"] + ["unheard_of"], 50.0, JUDGED)
    assert (together.rule, together.seen) == ("", 4)  # the rule that was not judged is left out
    assert together.expected == pytest.approx(8 / 400 * 50)
    upper = chi2.ppf(0.95, 2 * (8 + 1)) / 2 / 400 * 50
    assert together.at_most == pytest.approx(upper)
    assert together.p == pytest.approx(poisson.sf(3, upper))
    rows = {c.rule: c for c in (first, second, third)}
    zero = chi2.ppf(0.95, 2) / 2 / 400 * 50  # none in 400 months: at most 3.0 in 400, the rule of three
    assert rows["never_wrong"].expected == 0.0
    assert rows["never_wrong"].at_most == pytest.approx(zero)
    assert rows["never_wrong"].p == pytest.approx(1 - 2.718281828459045**-zero)
    assert rows["unheard_of"].p is None
    assert "did not judge" in rows["unheard_of"].words


def test_many_are_more_than_chance_and_few_are_not() -> None:
    assert "more than false findings" in chances(["never_wrong"] * 8, 50.0, JUDGED)[1].words
    assert "no more than" in chances(["often_wrong"], 50.0, JUDGED)[1].words
    assert chances([], 50.0, JUDGED) == []


def test_without_new_record_the_rate_says_nothing() -> None:
    """A backfill under new rules brings findings but no vehicle-months."""
    assert chances(["never_wrong"] * 8, 0.0, JUDGED) == []
