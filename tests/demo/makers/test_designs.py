"""Designs: the same from the same seed, within what was asked, their two halves apart; their profiles load."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cantools
import numpy as np
import pytest

from demo_logs.causes import CAUSES
from demo_logs.makers.bus import draw_bus
from demo_logs.makers.design import ASIDE, OPEN, draw_design, half_of
from demo_logs.makers.faults import KINDS
from demo_logs.makers.profile_file import write_profile
from demo_logs.makers.vehicle import draw_fleet
from herdbook.pipeline.vehicle.profile import load_profile

README = Path(__file__).parents[3] / "demo_logs" / "makers" / "README.md"


def test_a_design_is_the_same_whatever_else_is_drawn() -> None:
    first, again = draw_design(3, 7), draw_design(3, 7)
    assert first.drive == again.drive
    assert first.firmware == again.firmware
    np.testing.assert_array_equal(first.cell.curve_v, again.cell.curve_v)
    assert draw_bus(first) == draw_bus(again)
    assert draw_design(3, 8).drive != first.drive


def test_designs_reach_over_what_was_asked() -> None:
    designs = [draw_design(1, k) for k in range(120)]
    groups, ah = [d.pack.groups for d in designs], [d.cell.rated_ah for d in designs]
    assert (min(groups), max(groups)) == (7, 20)
    assert min(ah) < 7
    assert max(ah) > 50
    assert all(5 <= a <= 60 for a in ah)
    assert {d.drive.motors for d in designs} == {1, 2}
    periods = [m.period_ms for d in designs for m in draw_bus(d).messages]
    assert min(periods) == 20
    assert max(p for p in periods if p < 5000) == 2000
    assert {d.charger.kind for d in designs} == {"cc_cv", "taper", "pulsed"}


def test_halves_are_about_equal_and_never_change() -> None:
    halves = [half_of(1, k) for k in range(400)]
    assert 160 < halves.count(OPEN) < 240
    assert halves.count(OPEN) + halves.count(ASIDE) == 400
    assert [half_of(1, k) for k in range(6)] == [ASIDE, ASIDE, ASIDE, OPEN, OPEN, ASIDE]


@pytest.mark.parametrize("index", range(0, 40, 4))
def test_profile_and_bus_load_here_and_elsewhere(index: int, tmp_path: Path) -> None:
    design = draw_design(2, index)
    bus = draw_bus(design)
    path = write_profile(tmp_path, design, bus)
    profile = load_profile(path)
    assert {m.role for m in profile.roles} == {c.role for m in bus.messages for c in m.carried}
    assert sum(m.role == "cell_voltage" for m in profile.roles) == design.pack.groups
    other: Any = cantools.database.load_file(str(path.with_suffix(".dbc")), strict=True)  # no signals overlap
    assert {m.name for m in other.messages} == {m.name for m in bus.messages}
    assert all(m.length <= 8 for m in other.messages)


def test_every_fault_of_the_first_campaign_is_there_from_a_size_to_act_at() -> None:
    assert set(KINDS) == set(CAUSES)
    for name, kind in KINDS.items():
        assert kind.reason
        assert kind.sizes
        if name != "charger_stops_early":  # the lower the worse
            assert list(kind.sizes) == sorted(kind.sizes)
    text = README.read_text("utf-8")
    for name, kind in KINDS.items():
        assert f"| {name} | {', '.join(f'{s:g}' for s in kind.sizes)} | {kind.unit} | {kind.reason} |" in text


def test_half_of_the_vehicles_are_sound_and_half_of_the_faults_begin_on_the_way() -> None:
    vehicles = []
    for index in range(30):
        design = draw_design(1, index)
        vehicles += draw_fleet(1, design, draw_bus(design), 4.0, 7 * index)
    sound = sum(v.sound for v in vehicles) / len(vehicles)
    assert 0.4 < sound < 0.6
    faults = [f for v in vehicles for f in v.faults]
    start = min(e.start for v in vehicles for e in v.events)
    assert 0.3 < sum(f.onset > start for f in faults) / len(faults) < 0.7
    assert any(len(v.faults) == 2 for v in vehicles)
