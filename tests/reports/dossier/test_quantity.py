"""The quantity a finding is about: the slope in the figure is the resistance, or the current, that was put in."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.reports.dossier import quantity
from herdbook.pipeline.vehicle.signals import Key, Series, Signals

START = 1_772_000_000_000_000
JOINT_OHM, WEAK_OHM = 0.026, 0.004


def signals(joint_ohm: float = JOINT_OHM, swing_a: float = 30.0) -> Signals:
    """Ten minutes at 10 Hz: current that swings, four groups of 2 mOhm, the third of 4 mOhm more, a joint in series."""
    t = START + np.arange(6000, dtype=np.int64) * 100_000
    current = swing_a * np.sin(np.arange(6000) / 200.0)
    groups = [3.3 - 0.002 * current - (WEAK_OHM * current if i == 3 else 0.0) for i in (1, 2, 3, 4)]
    data: dict[Key, Series] = {("pack_current", ""): Series(t, current)}
    data |= {("cell_voltage", i): Series(t, v) for i, v in zip((1, 2, 3, 4), groups, strict=True)}
    data["pack_voltage", ""] = Series(t, np.sum(groups, axis=0) - joint_ohm * current)
    return Signals("V", int(t[0]), int(t[-1]) + 1, data)


@pytest.fixture
def facts() -> Any:
    class Bare:
        vehicle, zone, pack = "V", None, 0

    return Bare()


def finding(rule: str, item: str = "") -> dict[str, Any]:
    from herdbook.pipeline.times import from_micros

    window = {"start_t": from_micros(START), "end_t": from_micros(START + 600_000_000)}
    return {"rule": rule, "item": item, "finding": "a" * 64, "windows": [window]}


def slope_of(note: str) -> float:
    found = re.search(r"slope ([−-]?[\d.]+)\s", note)
    assert found is not None
    return float(found[1].replace("−", "-"))


@pytest.mark.parametrize(
    ("rule", "item", "mohm"),
    [("resistance_outside_groups", "", 1000 * JOINT_OHM), ("weak_group", "cell 3", -1000 * WEAK_OHM)],
)
def test_the_slope_is_what_was_put_in(
    facts: Any, monkeypatch: pytest.MonkeyPatch, rule: str, item: str, mohm: float
) -> None:
    monkeypatch.setattr(quantity, "load", lambda *given, **more: signals())
    made = quantity.figure(None, facts, finding(rule, item))  # type: ignore[arg-type]
    assert made is not None
    assert slope_of(made.note) == pytest.approx(mohm, rel=0.02)


def test_without_current_there_is_no_slope(facts: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quantity, "load", lambda *given, **more: signals(swing_a=0.5))
    assert quantity.figure(None, facts, finding("resistance_outside_groups")) is None  # type: ignore[arg-type]


def test_a_finding_of_another_kind_has_none(facts: Any) -> None:
    assert quantity.figure(None, facts, finding("belt_slip")) is None  # type: ignore[arg-type]
