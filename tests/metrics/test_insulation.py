"""The insulation monitor's word: lowest and usual, one odd reading apart."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.metrics.insulation import SET
from herdbook.pipeline.vehicle.profile import load_profile
from herdbook.pipeline.vehicle.record import Session
from tests.metrics.conftest import Build

PROFILE = load_profile(Path(__file__).parents[2] / "dbc_demo" / "zirbel.toml")


def measured(build: Build, read: object) -> dict[str, tuple[float, float | None, float]]:
    signals = build(100.0, insulation_resistance=(1.0, read))
    found = SET.compute(Session("EX-1", "ride", signals.start, signals.end), signals, PROFILE)
    return {m.name: (m.value, m.se, m.coverage) for m in found.metrics}


def test_one_odd_reading_does_not_count(build: Build) -> None:
    """18 MOhm in steps of 10 kOhm; one reading of 0, and later three of 900 kOhm in a row."""
    read = np.where(np.arange(100) % 2, 18_000.0, 18_010.0)
    read[10] = 0.0
    read[60:63] = 900.0
    found = measured(build, read)
    assert found["insulation_low_kohm"] == (900.0, None, 1.0)
    assert found["insulation_median_kohm"] == pytest.approx((18_000.0, 2.9, 1.0))


def test_readings_that_are_all_alike_tell_no_error(build: Build) -> None:
    assert measured(build, 5000.0)["insulation_median_kohm"] == (5000.0, None, 1.0)


def test_without_readings_nothing_is_said(build: Build) -> None:
    read = np.full(100, np.nan)
    read[:2] = 500.0
    assert measured(build, read) == {}
