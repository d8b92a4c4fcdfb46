"""The fleet's reference: the healthy majority, not the sick few."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.population import fit_reference


def rows(values: dict[str, float], name: str = "pack_heat_ratio", kind: str = "ride", item: str = "") -> pl.DataFrame:
    rng = np.random.default_rng(4)
    table = [
        (vehicle, kind, name, item, value + float(rng.normal(0, 0.03)), "1", 0.1)
        for vehicle, value in values.items() for _ in range(6)
    ]  # fmt: skip
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


def test_too_few_vehicles_give_no_reference() -> None:
    assert fit_reference(rows({f"V{i}": 1.0 for i in range(4)})).height == 0
    assert fit_reference(rows({})).height == 0
