"""Every figure of a profile has one line, code reads it by attribute; people's list is made from the lines."""

from __future__ import annotations

import ast
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from herdbook.pipeline.vehicle.chemistry import chemistry
from herdbook.pipeline.vehicle.figures import TABLES, DriveFigures, FigureLine, PackFigures, VehicleFigures
from herdbook.pipeline.vehicle.profile_tables import reference

ROOT = Path(__file__).parents[2]
LINES = [pytest.param(table, x, id=f"{name}.{x.key}") for name, table in TABLES.items() for x in table.lines()]
VIEWS = {f"{name}_figures": name for name in TABLES}


def read_somewhere() -> set[tuple[str, str]]:
    """(table, key) that code of ours reads: as an attribute of a profile's view, or of a name bound to one."""
    found = set()
    for path in [*(ROOT / "pipeline").rglob("*.py"), *(ROOT / "flows").rglob("*.py")]:
        nodes = list(ast.walk(ast.parse(path.read_text("utf-8"))))
        bound = dict(pair for node in nodes if isinstance(node, ast.Assign) for pair in views_bound(node))
        for node in nodes:
            if isinstance(node, ast.Attribute):
                table = bound.get(node.value.id) if isinstance(node.value, ast.Name) else view_of(node.value)
                found |= {(table, node.attr)} if table and node.attr in vars(TABLES[table]) else set()
    return {(table, key) for table, key in found if isinstance(vars(TABLES[table])[key], FigureLine)}


def views_bound(node: ast.Assign) -> list[tuple[str, str]]:
    """Names that an assignment binds to a view, also side by side, with the view's table."""
    target, value = node.targets[0], node.value
    pairs = (
        zip(target.elts, value.elts, strict=True)
        if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple)
        else [(target, value)]
    )
    return [(t.id, table) for t, v in pairs if isinstance(t, ast.Name) and (table := view_of(v))]


def view_of(node: ast.expr) -> str | None:
    return VIEWS.get(node.attr) if isinstance(node, ast.Attribute) else None


@pytest.mark.parametrize(("table", "line"), LINES)
def test_a_line_is_whole(table: type, line: FigureLine[object]) -> None:
    assert line.meaning
    assert line.kind in {"text", "true or false"} or line.unit
    assert line.low < line.high


def test_who_reads_it_is_true() -> None:
    """A line that names readers is read, and one that names none is not: through a default, or by a curve, counts."""
    through = {("pack", key) for key in ("chemistry", "ocv_soc_pct", "ocv_v", "ocv_sd_v", "ocv_file")}
    lines = {(t, x.key): x.used_by for t, table in TABLES.items() for x in table.lines()}
    assert {key for key, by in lines.items() if by} == read_somewhere() | through


@pytest.mark.parametrize("vehicle", ["zirbel", "saumer"])
def test_a_demo_profile_keeps_to_the_lines(vehicle: str) -> None:
    raw = tomllib.loads((ROOT / "dbc_demo" / f"{vehicle}.toml").read_text("utf-8"))
    for name, table in TABLES.items():
        lines: dict[str, FigureLine[Any]] = {x.key: x for x in table.lines()}
        assert set(raw[name]) <= set(lines)
        for key, value in raw[name].items():
            kinds = {"text": str, "true or false": bool, "whole number": int, "rows of texts": list}
            assert isinstance(raw[name][key], kinds.get(lines[key].kind, int | float)), key
            assert isinstance(value, str | list) or lines[key].low <= value <= lines[key].high, key


def test_the_list_for_people_is_the_lines() -> None:
    """Write it anew with: python -m tests.vehicle.figures_list"""
    said = (ROOT / "dbc_demo" / "README.md").read_text("utf-8")
    assert "\n".join(reference()) in said


def test_a_missing_figure_is_none_a_default_or_a_clear_error() -> None:
    pack = PackFigures({"cells": 12, "cell_min_v": "low", "bleed_ohm": True}, "board")
    assert pack.cells == 12.0
    assert pack.cell_min_v is pack.bleed_ohm is pack.cell_max_v is None
    assert pack.chemistry == ""
    assert pack.cell_r_ea_ev == chemistry("LFP").cell_r_ea_ev
    with pytest.raises(KeyError, match=r"profile board: \[pack\] rated_ah is missing or not a number"):
        assert pack.rated_ah
    assert VehicleFigures({"model": 12}).model == ""
    assert DriveFigures({}).trigger_timeout_ms == 250.0
    assert DriveFigures({"coast_brake": True}).coast_brake
    assert math.isclose(DriveFigures({"trigger_timeout_ms": 100}).trigger_timeout_ms, 100.0)


def test_what_is_not_given_is_scaled_from_a_typical_group() -> None:
    """By hand: 16 groups of 60 Ah; a group of 30 Ah has 2 mOhm and 650 J/K, and cools with 65 minutes."""
    pack = PackFigures({"chemistry": "LFP", "cells": 16, "rated_ah": 60.0})
    assert pack.cell_r10s_mohm == pytest.approx(1.0)
    assert pack.heat_capacity_j_per_k == pytest.approx(16 * 1300.0)
    assert pack.heat_loss_w_per_k == pytest.approx(16 * 1300.0 / 3900.0)
    assert pack.charger_a == 30.0
    assert not pack.given("cells", "heat_capacity_j_per_k")
