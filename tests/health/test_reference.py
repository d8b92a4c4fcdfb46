"""The fleet's reference: the healthy majority, not the sick few."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from herdbook.pipeline.health.reference import COLUMNS, fit_reference


def rows(values: dict[str, float], name: str = "pack_heat_ratio", kind: str = "ride", item: str = "") -> pl.DataFrame:
    rng = np.random.default_rng(4)
    table = [
        (vehicle, kind, name, item, value + float(rng.normal(0, 0.03)), "1", 0.1)
        for vehicle, value in values.items()
        for _ in range(6)
    ]
    names = ["vehicle", "kind", "name", "item", "value", "unit", "se"]
    return pl.DataFrame(table, schema=names, orient="row")


def test_a_third_of_sick_vehicles_does_not_move_the_middle() -> None:
    fleet = {f"H{i}": 1.0 + 0.01 * (i % 5) for i in range(14)} | {f"S{i}": 2.0 + 0.1 * i for i in range(6)}
    found = fit_reference(rows(fleet))
    value, spread, n = found.select("value", "spread", "n").row(0)
    assert value == pytest.approx(1.02, abs=0.02)
    assert spread == pytest.approx(0.05)
    assert n == 14


def test_rides_and_charges_have_their_own_figure_and_sensors_none() -> None:
    fleet = {f"V{i}": 1.0 for i in range(8)}
    table = pl.concat([rows(fleet), rows(dict.fromkeys(fleet, 1.5), kind="charge"), rows(fleet, item="3")])
    found = fit_reference(table)
    assert dict(found.select("item", "value").iter_rows()) == pytest.approx({"ride": 1.0, "charge": 1.5}, abs=0.03)


def test_an_aged_fleet_is_judged_by_its_own_resistance() -> None:
    """Heat in step with resistance, 20 % apart between vehicles: no spread is left over per milliohm."""
    ages = {f"V{i}": 1.0 + 0.05 * i for i in range(9)}
    table = pl.concat([rows(ages), rows({v: 2.0 * a for v, a in ages.items()}, "group_dcr_0.5s_25c_mohm")])
    found = fit_reference(table).rows_by_key("name", named=True)
    assert found["pack_heat_ratio"][0]["spread"] > 0.1
    assert found["pack_heat_per_mohm"][0]["value"] == pytest.approx(0.5, rel=0.02)
    assert found["pack_heat_per_mohm"][0]["spread"] == pytest.approx(0.03)


def test_scatter_between_sessions_is_no_spread_between_vehicles() -> None:
    rng = np.random.default_rng(8)
    table = [
        (f"V{i}", "ride", "travel_rolling", "", 0.02 + float(rng.normal(0, 0.012)), "1", 0.012)
        for i in range(20)
        for _ in range(8)
    ]
    names = ["vehicle", "kind", "name", "item", "value", "unit", "se"]
    found = fit_reference(pl.DataFrame(table, schema=names, orient="row"))
    assert found["spread"][0] < 0.003


def test_too_few_vehicles_give_no_reference() -> None:
    assert fit_reference(rows({f"V{i}": 1.0 for i in range(4)})).height == 0
    assert fit_reference(rows({"V": 1.0}).clear()).height == 0


def test_a_figure_whose_vehicles_are_known_no_better_than_they_differ() -> None:
    """Sixty vehicles 0.004 apart, eight rides of 0.012 each: both come back, and two that drag change neither."""
    rng = np.random.default_rng(5)
    true = np.concatenate([rng.normal(0.016, 0.004, 60), [0.07, 0.08]])
    rows = [
        (f"V{i}", "ride", "ride_rolling", "", float(rng.normal(v, 0.012)), "1", 0.012)
        for i, v in enumerate(true)
        for _ in range(8)
    ]
    found = fit_reference(pl.DataFrame(rows, schema=list(COLUMNS), orient="row"))
    value, spread, n = found.filter(pl.col("name") == "ride_rolling").select("value", "spread", "n").row(0)
    assert value == pytest.approx(0.016, abs=0.0015)
    assert 0.002 <= spread <= 0.006
    assert n >= 58
