"""Cell metrics on a string whose truth is known, with the quantisation and noise that are promised.

Promised at 1 mV / 0.1 A quantisation and 5 mV noise: resistance within 5 %, charge offset within 1 % of capacity.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.metrics import (
    balancing,
    cell_limits,
    cell_offset,
    cell_resistance,
    cell_split,
    cell_spread,
    pack_agreement,
    sense_wire,
)
from herdbook.pipeline.vehicle.signals import Series

Measured = Callable[..., dict[tuple[str, str], tuple[float, float]]]


def test_resistance_ratio_and_absolute(pack: Any, ride: Any, measured: Measured) -> None:
    signals = pack(r_factor={6: 1.55, 9: 0.8}, noise_v=0.005, offset_ah={3: -0.9}).run(ride(40))
    split = measured(cell_split.SET, signals)
    assert split["cell_r_ratio", "6"][0] == pytest.approx(1.55, rel=0.02)
    assert split["cell_r_ratio", "9"][0] == pytest.approx(0.80, rel=0.02)
    for item in ("1", "3", "12"):  # a charge offset is no resistance
        assert split["cell_r_ratio", item][0] == pytest.approx(1.0, abs=0.02)
    pulses = measured(cell_resistance.SET, signals)
    for seconds, truth in (
        ("0.5", 2.0 + 1.0 * (1 - np.exp(-0.5 / 20))),
        ("2", 2.0 + 1.0 * (1 - np.exp(-2 / 20))),
        ("10", 2.0 + 1.0 * (1 - np.exp(-10 / 20))),
    ):
        value, se = pulses[f"group_dcr_{seconds}s_mohm", ""]
        assert value == pytest.approx(truth, rel=0.05)
        assert se < 0.03 * truth
        assert pulses[f"cell_dcr_{seconds}s_mohm", "6"][0] == pytest.approx(1.55 * truth, rel=0.05)


def test_resistance_is_brought_to_25_degc(pack: Any, ride: Any, measured: Measured) -> None:
    signals = pack(ohm=0.004).run(ride(30))
    for sensor in range(1, 5):
        t = signals.series("cell_temp", sensor).t
        signals.data["cell_temp", sensor] = Series(t, np.full(t.size, 5.0))
    found = measured(cell_resistance.SET, signals, cell_r_ea_ev=0.30)
    factor = np.exp(0.30 / 8.617e-5 * (1 / 278.15 - 1 / 298.15))
    at_temp, at_25 = found["group_dcr_2s_mohm", ""][0], found["group_dcr_2s_25c_mohm", ""][0]
    assert at_temp / at_25 == pytest.approx(factor, rel=1e-6)


def test_multiplexed_groups_are_not_led_astray(pack: Any, ride: Any, measured: Measured) -> None:
    """Groups that come once a second in four frames, as slow monitors send them."""
    signals = pack(groups=16, r_factor={6: 1.5}, cell_period_s=1.0).run(ride(60))
    split = measured(cell_split.SET, signals)
    assert split["cell_r_ratio", "6"][0] == pytest.approx(1.5, rel=0.03)
    others = [split["cell_r_ratio", str(k)][0] for k in range(1, 17) if k != 6]
    assert max(abs(r - 1) for r in others) < 0.03


def test_a_ride_without_load_says_nothing(pack: Any, measured: Measured) -> None:
    assert measured(cell_split.SET, pack().run(np.full(6000, 5.0))) == {}


@pytest.mark.parametrize("true_ah", [-0.9, -0.3, 0.6])
def test_offset_at_the_top_of_a_charge(true_ah: float, pack: Any, charge: Any, measured: Measured) -> None:
    signals = pack(offset_ah={3: true_ah}, noise_v=0.005, soc=0.4).run(charge(0.4, to=1.02), 0.5)
    found = measured(cell_offset.SET, signals, "charge")
    value, se = found["cell_offset_top_ah", "3"]
    assert value == pytest.approx(true_ah, abs=0.01 * 30.0)
    assert abs(value - true_ah) < 3 * se
    for item in ("1", "7", "12"):
        assert found["cell_offset_top_ah", item][0] == pytest.approx(0.0, abs=0.05)


def test_offset_and_capacity_told_apart_in_one_charge(pack: Any, charge: Any, measured: Measured) -> None:
    """Group 9 holds 8 % less and is level when full; group 3 holds 3 % less charge at any time."""
    # Level when full: the small group then holds 2.4 Ah less of the same passed charge at any time.
    string = pack(offset_ah={3: -0.9, 9: -2.4}, capacity={9: 0.92}, soc=0.11, noise_v=0.005)
    found = measured(cell_offset.SET, string.run(charge(0.11, to=1.02), 0.5), "charge")
    assert found["cell_offset_top_ah", "9"][0] == pytest.approx(0.0, abs=0.3)
    assert found["cell_offset_bottom_ah", "9"][0] == pytest.approx(-2.4, abs=0.35)
    assert found["cell_offset_top_ah", "3"][0] == pytest.approx(-0.9, abs=0.3)
    assert found["cell_offset_bottom_ah", "3"][0] == pytest.approx(-0.9, abs=0.3)


def test_offset_at_the_end_of_a_ride(pack: Any, ride: Any, measured: Measured) -> None:
    signals = pack(offset_ah={3: -0.9}, r_factor={6: 1.5}, noise_v=0.005, soc=0.5).run(ride(50, mean_a=16))
    found = measured(cell_offset.SET, signals)
    assert found["cell_offset_bottom_ah", "3"][0] == pytest.approx(-0.9, abs=0.3)
    assert found["cell_offset_bottom_ah", "6"][0] == pytest.approx(0.0, abs=0.3)  # weak, not empty


def test_the_plateau_is_refused(pack: Any, ride: Any, measured: Measured) -> None:
    found = measured(cell_offset.SET, pack(offset_ah={3: -0.9}, soc=0.75).run(ride(20, mean_a=12)))
    assert not [k for k in found if k[0].startswith("cell_offset_bottom")]


def test_a_moving_wire_and_a_noisy_group(pack: Any, ride: Any, measured: Measured) -> None:
    signals = pack().run(ride(30))
    rng = np.random.default_rng(5)
    a, b, c = (signals.series("cell_voltage", k) for k in (4, 5, 8))
    drop = 0.03 * (rng.random(a.t.size // 50 + 1) < 0.3).repeat(50)[: a.t.size]
    signals.data["cell_voltage", 4] = Series(a.t, a.v + drop)
    signals.data["cell_voltage", 5] = Series(b.t, b.v - np.interp(b.t, a.t, drop))
    signals.data["cell_voltage", 8] = Series(c.t, c.v + rng.normal(0, 0.015, c.t.size))
    found = measured(sense_wire.SET, signals)
    assert found["sense_pair_correlation", "4-5"][0] < -0.9
    assert found["sense_pair_opposite_mv", "4-5"][0] > 8
    for pair in ("7-8", "8-9"):  # one group moves, its neighbours do not
        assert abs(found["sense_pair_correlation", pair][0]) < 0.3


def test_bled_charge(pack: Any, measured: Measured) -> None:
    """47 ohm at 3.45 V is 73 mA; an hour of it is 0.073 Ah."""
    signals = pack().run(np.zeros(7200), 0.5)
    t = np.arange(signals.start, signals.end, 1_000_000)
    for k in range(1, 13):
        v = signals.series("cell_voltage", k)
        signals.data["cell_voltage", k] = Series(v.t, np.full(v.t.size, 3.45))
        signals.data["cell_bleed", k] = Series(t, np.full(t.size, float(k == 2)))
    found = measured(balancing.SET, signals, "charge", bleed_ohm=47.0)
    assert found["cell_bled_ah", "2"][0] == pytest.approx(0.0734, rel=0.01)
    assert found["cell_bled_ah", "3"][0] == 0.0
    assert found["cell_bleed_idle_share", "2"][0] == 0.0


def test_one_bad_sample_is_no_excursion(pack: Any, ride: Any, measured: Measured) -> None:
    signals = pack().run(ride(10))
    v = signals.series("cell_voltage", 2)
    spoiled = v.v.copy()
    spoiled[[100, 400]] = (4.2, 0.9)
    signals.data["cell_voltage", 2] = Series(v.t, spoiled)
    found = measured(cell_limits.SET, signals)
    assert found["cell_over_s", ""][0] == found["cell_under_s", ""][0] == 0.0


def test_spread_is_given_only_where_it_means_something(pack: Any, ride: Any, measured: Measured) -> None:
    assert measured(cell_spread.SET, pack(offset_ah={3: -0.9}, soc=0.75).run(ride(15, mean_a=8))) == {}
    low = measured(cell_spread.SET, pack(offset_ah={3: -0.9}, soc=0.06).run(np.zeros(9000), 0.5), "rest")
    assert low["spread_low_mv", ""][0] > 80
    assert low["spread_rest_mv", ""][0] == pytest.approx(low["spread_low_mv", ""][0], abs=5)


def test_sum_of_groups_and_path(pack: Any, ride: Any, measured: Measured) -> None:
    signals = pack().run(ride(30))
    v, i = signals.series("pack_voltage"), signals.series("pack_current")
    signals.data["pack_voltage", ""] = Series(v.t, v.v + 0.8 - 0.006 * np.interp(v.t, i.t, i.v))
    found = measured(pack_agreement.SET, signals, cells=12)
    assert found["pack_sum_gap_v", ""][0] == pytest.approx(0.8, abs=0.02)
    assert found["pack_path_mohm", ""][0] == pytest.approx(6.0, abs=0.3)


def test_sets_keep_their_word(pack: Any, ride: Any, charge: Any) -> None:
    """Every metric a set returns is in its `gives`, with that unit, finite, and with an error that is not negative."""
    from herdbook.pipeline.health.examples import profile
    from herdbook.pipeline.metrics import all_sets, measure
    from herdbook.pipeline.vehicle.record import Session

    given = {name: unit for s in all_sets().values() for name, (unit, _) in s.gives.items()}
    runs = {"ride": (ride(15), 0.1), "charge": (charge(0.05, to=1.02), 0.5), "rest": (np.zeros(4000), 1.0)}
    for kind, (current, dt) in runs.items():
        signals = pack(soc=0.05 if kind != "ride" else 0.5).run(current, dt)
        outcome = measure(Session("x", kind, signals.start, signals.end), signals, profile())
        assert outcome.metrics
        for m in outcome.metrics:
            assert given[m.name] == m.unit, m
            assert np.isfinite(m.value), m
            assert m.se is None or m.se >= 0, m
            assert 0 <= m.coverage <= 1, m
