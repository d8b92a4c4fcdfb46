"""Margins to limits on signals whose extreme is known: how much, when, against which limit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import cell_limits, margins
from herdbook.pipeline.metrics.set import MetricSet, Outcome
from herdbook.pipeline.vehicle.chemistry import USUAL, chemistry
from herdbook.pipeline.vehicle.record import Event, Metric, Session
from herdbook.pipeline.vehicle.signals import Signals

Build = Callable[..., Signals]
PACK = {
    "cell_min_v": 2.5,
    "cell_max_v": 3.65,
    "charge_min_c": 0.0,
    "charge_max_c": 50.0,
    "discharge_max_c": 60.0,
    "max_charge_a": 30.0,
    "max_discharge_a": 120.0,
    "rated_ah": 30.0,
    "cells": 12,
}
DRIVE = {"winding_max_c": 140.0, "fet_max_c": 95.0, "dc_link_max_v": 52.0}


def run(
    metric_set: MetricSet, signals: Signals, kind: str = "ride", without: dict[str, object] | None = None
) -> Outcome:
    session = Session("EX-1", kind, signals.start, signals.end)
    return metric_set.compute(
        session, signals, profile(pack=without if isinstance(without, dict) else PACK, drive=DRIVE)
    )


def one(outcome: Outcome, name: str, item: str) -> Metric:
    return next(m for m in outcome.metrics if (m.name, m.item) == (name, item))


def moment(outcome: Outcome, item: str) -> Event:
    return next(e for e in outcome.events if e.kind == "least_margin" and e.item == item)


def bump(base: float, top: float, at: float, width: float = 2.0) -> Callable[[np.ndarray], np.ndarray]:
    return lambda s: np.where(np.abs(s - at) <= width, top, base)


def test_group_voltages_to_both_limits(build: Build) -> None:
    """Group 2 dips to 2.73 V at 40 s: 0.23 V over 2.50 V, a fifth of the window of 1.15 V; group 1 tops at 3.42 V."""
    signals = build(100.0, cell_voltage__1=(5, bump(3.3, 3.42, 70)), cell_voltage__2=(5, bump(3.3, 2.73, 40)))
    outcome = run(cell_limits.SET, signals)
    assert one(outcome, "margin_v", "cell lowest").value == pytest.approx(0.23)
    assert one(outcome, "margin_share", "cell lowest").value == pytest.approx(0.2)
    assert one(outcome, "margin_v", "cell highest").value == pytest.approx(0.23)
    low = moment(outcome, "cell lowest")
    assert low.data["group"] == 2.0
    assert (low.start - signals.start) / 1e6 == pytest.approx(40, abs=2.3)


def test_a_single_bad_reading_is_no_extreme(build: Build) -> None:
    spike = lambda s: np.where(np.isclose(s, 30.0), 51.9, 40.0)  # noqa: E731
    outcome = run(margins.SET, build(60.0, dc_link_voltage__left=(20, spike)))
    assert one(outcome, "margin_v", "dc link left").value == pytest.approx(12.0)
    assert one(outcome, "margin_share", "dc link left").value == pytest.approx(12 / 52)


def test_currents_are_held_against_what_the_pack_allowed_then(build: Build) -> None:
    """The most current, 90 A, flows while 120 A are allowed: 30 A left. Later 50 A meet an allowance of 60 A: 10."""
    amps = lambda s: np.where(s < 50, 90.0, 50.0)  # noqa: E731
    allowed = lambda s: np.where(s < 50, 200.0, 60.0)  # noqa: E731
    outcome = run(margins.SET, build(100.0, pack_current=(10, amps), discharge_limit=(1, allowed)))
    assert one(outcome, "margin_a", "discharge").value == pytest.approx(10.0)
    assert moment(outcome, "discharge").data["limit"] == pytest.approx(60.0)
    assert "charge" not in {m.item for m in outcome.metrics}
    braking = run(margins.SET, build(100.0, pack_current=(10, bump(20.0, -33.0, 60))))
    assert one(braking, "margin_a", "charge").value == pytest.approx(-3.0)
    assert one(braking, "margin_share", "charge").value == pytest.approx(-0.1)


def test_temperatures_by_what_the_pack_does(build: Build) -> None:
    """At 47.5 degC while charging 2.5 K are left of 25: a tenth; the cold limit is 47.5 K away. Discharge: 12.5 K."""
    hot = {"cell_temp__1": (1, 41.0), "cell_temp__2": (1, 47.5)}
    charging = run(margins.SET, build(60.0, pack_current=(2, -15.0), **hot), "charge")
    assert one(charging, "margin_k", "cell hot in charge").value == pytest.approx(2.5)
    assert one(charging, "margin_share", "cell hot in charge").value == pytest.approx(0.1)
    assert moment(charging, "cell hot in charge").data["group"] == 2.0
    assert one(charging, "margin_k", "cell cold in charge").value == pytest.approx(41.0)
    riding = run(margins.SET, build(60.0, pack_current=(2, 15.0), motor_temp__left=(1, 111.25), **hot))
    assert one(riding, "margin_k", "cell hot in discharge").value == pytest.approx(12.5)
    assert one(riding, "margin_share", "motor left").value == pytest.approx(0.25)
    assert "cell hot in charge" not in {m.item for m in riding.metrics}


def test_error_is_the_scatter_of_readings_or_a_step(build: Build) -> None:
    """5 mV of normal noise: a median of three scatters by 0.67 of it (order statistics); still readings in steps of
    0.2 K are known to 0.2 / sqrt(12)."""
    rng = np.random.default_rng(5)
    noisy = lambda s: 45.0 + rng.normal(0, 0.005, s.size)  # noqa: E731
    volts = one(run(margins.SET, build(60.0, dc_link_voltage__left=(20, noisy))), "margin_v", "dc link left")
    assert volts.se == pytest.approx(0.67 * 0.005, rel=0.2)
    steps = lambda s: np.where(s < 30, 60.0, 60.2)  # noqa: E731
    kelvin = one(run(margins.SET, build(60.0, motor_temp__left=(2, steps))), "margin_k", "motor left")
    assert kelvin.se == pytest.approx(0.2 / np.sqrt(12), rel=0.01)


def test_where_the_maker_gives_no_limit_the_chemistry_gives_it(build: Build) -> None:
    signals = build(60.0, cell_voltage__1=(5, 3.3), pack_current=(5, 5.0), cell_temp__1=(1, 30.0))
    none = dict.fromkeys(PACK, None) | {"rated_ah": 30.0}
    usual = chemistry(USUAL)
    limits = {e.item: e.data["limit"] for e in run(cell_limits.SET, signals, without=none).events}
    assert limits == {"cell highest": usual.cell_max_v, "cell lowest": usual.cell_min_v}
    warm = {e.item: e.data["limit"] for e in run(margins.SET, signals, without=none).events}
    assert warm["cell hot in discharge"] == usual.discharge_max_c
