"""Stopping physics against a table worked by hand: 95 kg, 25 km/h, Crr 0.015, CdA 0.6 m2."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics.shared.road_vehicle import road_vehicle
from herdbook.pipeline.science.road import BELT, TURNING, RoadVehicle, level_decel

CAR = RoadVehicle(95.0, 0.015, 0.6, 1.0)
V = np.array(25 / 3.6)


@pytest.mark.parametrize(("slope", "newton"), [(0.0, 159.0), (0.06, 103.0), (-0.06, 214.0)])
def test_two_ms2_needs_this_much_motor_force(slope: float, newton: float) -> None:
    """m a = F + m g Crr + air + m g slope, worked for 2.0 m/s2; turning parts and belt were left out of the table."""
    level = float(level_decel(CAR, V, np.array(-newton * BELT))) * TURNING
    assert level + 9.80665 * math.sin(math.atan(slope)) == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize(("kmh", "decel"), [(10.0, 0.18), (25.0, 0.33)])
def test_coasting_drag(kmh: float, decel: float) -> None:
    assert float(level_decel(CAR, np.array(kmh / 3.6), np.array(0.0))) * TURNING == pytest.approx(decel, abs=0.006)


def test_a_profile_without_figures_is_not_known() -> None:
    assert not road_vehicle(profile()).known
    drive = {"torque_nm_per_a": 0.07, "gear": 3.2, "wheel_m": 0.2}
    whole = replace(profile(drive=drive), vehicle={"mass_kg": 95.0, "rolling": 0.016, "drag_area_m2": 0.6})
    assert road_vehicle(whole).known
    assert road_vehicle(whole).newton_per_a == pytest.approx(2.24)
