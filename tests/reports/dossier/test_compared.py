"""How unusual a vehicle is among its peers, and which limit is drawn beside them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.reports.dossier.compared import COMPARED, limit_of, surprise
from herdbook.pipeline.vehicle.profile import load_profile

BOARD = Path(__file__).parents[3] / "dbc_demo" / "zirbel.toml"


def test_a_spread_is_the_normal_laws() -> None:
    """Of 1 to 9 the median absolute deviation is 2, so one spread is 2.9652."""
    peers = [float(k) for k in range(1, 10)]
    assert surprise(5.0 + 2 * 2.9652, peers) == pytest.approx(2.0)
    assert surprise(5.0 - 2.9652, peers) == pytest.approx(-1.0)


def test_peers_that_are_all_alike_make_nothing_infinitely_unusual() -> None:
    assert surprise(2.02, [2.0] * 8) == pytest.approx(1.0)  # a hundredth of the median is the least spread
    assert surprise(2.0, [2.0] * 8) == 0.0


def test_one_outlier_among_the_peers_hides_no_other() -> None:
    calm = [2.0, 2.1, 1.9, 2.05, 1.95]
    assert surprise(9.0, [*calm, 9.5]) > 20


@pytest.mark.parametrize("one", COMPARED, ids=lambda c: c.metric)
def test_what_is_compared_exists_and_its_limit_is_the_rules_or_the_profiles(one: object) -> None:
    gives = {name: unit for metric_set in all_sets().values() for name, (unit, _) in metric_set.gives.items()}
    assert gives[one.metric] == one.unit  # type: ignore[attr-defined]
    profile = load_profile(BOARD)
    limit = limit_of(one, profile)  # type: ignore[arg-type]
    assert (limit is not None) == bool(one.rule)  # type: ignore[attr-defined]
    if one.rule:  # type: ignore[attr-defined]
        units = {x.name: x.unit for x in all_rules()[one.rule].limits}  # type: ignore[attr-defined]
        assert units[one.limit] in (one.unit, "times the median group")  # type: ignore[attr-defined]


def test_the_makers_figure_goes_before_the_rules() -> None:
    profile = load_profile(BOARD)
    winding = next(c for c in COMPARED if c.metric == "motor_temp_max_c")
    assert limit_of(winding, profile) == 140.0  # winding_max_c of the profile
    without = replace(profile, drive={k: v for k, v in profile.drive.items() if k != "winding_max_c"})
    assert limit_of(winding, without) == 130.0
    assert limit_of(winding, None) is None
