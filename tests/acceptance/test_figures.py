"""Birth figures are made of metrics alike at birth and later; of several the one that is known best is kept."""

from __future__ import annotations

from math import hypot

import pytest

from herdbook.pipeline.bench.acceptance.figures import KINDS, PLAIN, Figure, best, figures_of, in_words
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.vehicle.record import Metric


def m(name: str, value: float, item: str = "", se: float | None = 0.0) -> Metric:
    return Metric(name, value, "?", se=se, n=5, item=item)


def test_a_resistance_stands_at_25_degrees() -> None:
    """Group 7 is a tenth over the median group, which has 2.0 mOhm now and 1.4 at 25 degC: so 1.54."""
    [found] = figures_of(
        [m("cell_dcr_2s_mohm", 2.2, "7", 0.022), m("group_dcr_2s_mohm", 2.0), m("group_dcr_2s_25c_mohm", 1.4)], "ride"
    )
    assert (found.name, found.item, found.unit) == ("resistance_2s", "7", "mOhm")
    assert found.value == pytest.approx(1.54)
    assert found.se == pytest.approx(0.0154)


def test_what_is_uncertain_about_the_temperature_is_uncertain_about_each_group() -> None:
    """The median group is known to 1 % then and to 10 % at 25 degC: the law adds what lies between."""
    then, warm = m("group_dcr_2s_mohm", 2.0, se=0.02), m("group_dcr_2s_25c_mohm", 1.0, se=0.1)
    [found] = figures_of([m("cell_dcr_2s_mohm", 2.0, "1", 0.06), then, warm], "ride")
    assert found.se == pytest.approx(1.0 * hypot(0.03, (0.1**2 - 0.01**2) ** 0.5))


def test_a_resistance_at_an_unknown_temperature_is_none() -> None:
    assert figures_of([m("cell_dcr_2s_mohm", 2.2, "7"), m("group_dcr_2s_mohm", 2.0)], "ride") == []


def test_a_capacity_is_read_at_both_knees() -> None:
    """0.3 Ah further from empty and 0.5 Ah nearer to full than the median group: it holds 0.2 Ah less."""
    rows = [
        m("cell_offset_top_ah", 0.5, "3", 0.03),
        m("cell_offset_bottom_ah", 0.3, "3", 0.04),
        m("pack_capacity_ah", 30.0, se=0.12),
    ]
    by = {f.name: f for f in figures_of(rows, "charge")}
    assert by["capacity_over_median"].value == pytest.approx(-0.2)
    assert by["capacity_over_median"].se == pytest.approx(0.05)
    assert by["capacity"].value == pytest.approx(29.8)
    assert by["capacity"].se == pytest.approx(0.13)


def test_only_cells_have_a_zero_of_temperature() -> None:
    """A motor may be warm for good reasons as a session begins."""
    found = figures_of([m("temp_start_offset_k", 0.4, "cell 2"), m("temp_start_offset_k", 2.0, "motor left")], "ride")
    assert [(f.name, f.item) for f in found] == [("zero_temp", "cell 2")]


def test_a_figure_comes_from_one_place() -> None:
    """So that all groups are measured alike: from the place that gives most of them, then from the longest."""

    def path(value: float, *items: str) -> list[Figure]:
        return [Figure("path", item, value, "mOhm", 0.1, 9) for item in items]

    assert best([(path(2.0, "1"), (0, 90)), (path(3.0, "1", "2"), (0, 9))]) == {(0, 9): path(3.0, "1", "2")}
    assert best([(path(2.0, "1"), (0, 9)), (path(3.0, "1"), (20, 90))]) == {(20, 90): path(3.0, "1")}
    assert best([]) == {}


def test_every_metric_they_are_made_of_exists() -> None:
    given = {name for one in all_sets().values() for name in one.gives}
    made_of = {*PLAIN, "temp_start_offset_k", *(f"cell_dcr_{p}_mohm" for p in ("0.5s", "2s", "10s"))}
    assert made_of <= given
    assert set(PLAIN.values()) <= set(KINDS)


def test_in_words() -> None:
    assert in_words("resistance_10s", "7") == "resistance of group 7, 10 s after a step, at 25 °C"
    assert in_words("brake_response", "") == "delay of the electric brake, demand to half of the delivery"


def test_a_figure_is_made_of_one_kind_of_session() -> None:
    """A spread while charging is another than one at rest; a test's figure must not be compared with the other."""
    spread = [m("spread_full_mv", 80.0)]
    assert [f.name for f in figures_of(spread, "charge")] == ["balance_full"]
    assert figures_of(spread, "rest") == []
    kinds = {k.session for k in KINDS.values()}
    assert kinds <= {"ride", "charge", "rest", "bench"}
    sets = {name: one for one in all_sets().values() for name in one.gives}
    assert all(KINDS[new].session in sets[old].kinds for old, new in PLAIN.items())
