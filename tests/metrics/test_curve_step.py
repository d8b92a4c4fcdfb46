"""The step of the curve in a charge, from the bus: reported charge there, charge from there to full and to the end.

A pack of twelve groups of 30 Ah with a step at 68 % of its charge is charged at 10 A from 30 %; expected by hand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import curve_step
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals
from tests.metrics.conftest import Build
from tests.science.test_curve_step import curve

RATED, AMPS, LOW = 30.0, 10.0, 0.30


def charged(build: Build, to: float, held: float = 1.0, off: float = 0.0, step_v: float = 0.005) -> Signals:
    """To that share of what the pack holds (held times the rated), the report off by so many per cent."""
    apart = np.random.default_rng(2).normal(0.0, 0.006, 12)
    seconds = (to - LOW) * held * RATED / AMPS * 3600.0
    flows = seconds + 60.0

    def z(s: np.ndarray) -> np.ndarray:
        return np.asarray(LOW + np.minimum(s, seconds) * AMPS / 3600.0 / RATED / held)

    def group(k: int) -> Callable[[np.ndarray], np.ndarray]:
        shift = apart[k] - np.median(apart)
        return lambda s: np.round((curve(z(s) + shift) + 0.02 * (s < seconds)) / step_v) * step_v

    return build(
        flows + 60.0,
        pack_current=(2.0, lambda s: np.where(s < seconds, -AMPS, 0.0)),
        pack_soc=(1.0, lambda s: np.round(100.0 * z(s) + off)),
        **{f"cell_temp__{k}": (0.2, 25.0) for k in range(1, 4)},
        **{f"cell_voltage__{k + 1}": (1.0, group(k)) for k in range(12)},
    )


def told(signals: Signals) -> dict[str, Metric]:
    found = curve_step.SET.compute(Session("x", "charge", signals.start, signals.end), signals, profile())
    return {m.name: m for m in found.metrics}


@pytest.mark.parametrize(("held", "off"), [(1.0, 0.0), (0.72, 0.0), (1.0, -15.0)])
def test_the_report_and_the_charge_to_the_end(build: Build, held: float, off: float) -> None:
    found = told(charged(build, 0.90, held, off))
    assert found["charge_step_soc_pct"].value == pytest.approx(68.0 + off, abs=1.0)
    assert found["charge_step_to_end_pct"].value == pytest.approx(100.0 * (0.90 - 0.68) * held, abs=0.6)
    assert "charge_step_to_full_pct" not in found  # it ended at nine tenths
    assert all(m.se is not None and 0.0 < m.se < 2.0 for m in found.values())


def test_charge_to_full_is_told_where_the_charge_ended_full(build: Build) -> None:
    found = told(charged(build, 1.003))
    assert found["charge_step_to_full_pct"].value == pytest.approx(32.0, abs=1.6)  # full is known within a per cent


def test_a_charge_below_the_step_and_a_report_that_is_missing(build: Build) -> None:
    assert told(charged(build, 0.60)) == {}
    signals = charged(build, 0.90)
    without = replace(signals, data={k: v for k, v in signals.data.items() if k[0] != "pack_soc"})
    assert set(told(without)) == {"charge_step_v", "charge_step_to_end_pct"}
