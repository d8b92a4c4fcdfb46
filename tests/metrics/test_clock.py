"""The log's clock against the controller's counter: rates and jumps that were put in must come out."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics.clock import SET, clock_rows
from herdbook.pipeline.metrics.set import Outcome
from herdbook.pipeline.vehicle.record import METRICS, Metric, Session
from herdbook.pipeline.vehicle.signals import Series, Signals

S = 1_000_000
Floats = np.ndarray


def run(true_s: Floats, log_s: Floats, step_s: float = 1.0) -> Outcome:
    """A controller that counts true time in steps; a logger that stamps its frames with its own."""
    t = np.round(log_s * S).astype(np.int64)
    signals = Signals(
        "x", int(t[0]), int(t[-1]) + S, {("controller_uptime", ""): Series(t, np.floor(true_s / step_s) * step_s)}
    )
    return SET.compute(Session("x", "ride", signals.start, signals.end), signals, profile())


def one(outcome: Outcome, name: str) -> Metric:
    return next(m for m in outcome.metrics if m.name == name)


@pytest.mark.parametrize("ppm", [0.0, 80.0, -2000.0])
@pytest.mark.parametrize("step_s", [0.1, 1.0])
def test_rate_is_found_within_its_error(ppm: float, step_s: float) -> None:
    """50 ppm is a common crystal; the counter's steps of a second are the error's only source."""
    rng = np.random.default_rng(1)
    true = np.arange(0, 900, 0.1) + 37.0 + rng.uniform(0, 0.02, 9000)
    found = one(run(true, (true - 37) * (1 + ppm * 1e-6), step_s), "clock_rate_ppm")
    assert found.se is not None
    assert abs(found.value - ppm) < 4 * found.se + 1.0
    assert found.se < 60
    assert one(run(true, true, step_s), "clock_jump_count").value == 0.0


def test_a_clock_that_was_set_is_one_jump() -> None:
    true = np.arange(0, 600, 0.5)
    log = np.where(true < 300, true, true + 3600.0)
    outcome = run(true, log)
    assert one(outcome, "clock_jump_count").value == 1.0
    assert one(outcome, "clock_jump_s").value == pytest.approx(3600, abs=1.5)
    assert outcome.events[0].data["jump_s"] == pytest.approx(3600, abs=1.5)
    assert abs(one(outcome, "clock_rate_ppm").value) < 1000  # within one side of the jump


def test_a_restart_or_a_bad_sample_is_no_jump_of_the_clock() -> None:
    log = np.arange(0, 600, 0.5)
    restarted = np.where(log < 300, log + 5000.0, log - 300.0)
    assert one(run(restarted, log), "clock_jump_count").value == 0.0
    wrong = np.where(np.isclose(log, 200.0), 9999.0, log)
    assert one(run(wrong, log), "clock_jump_count").value == 0.0


def test_rows_of_the_ledger() -> None:
    """100 s of which the log claims 25 twice; a log that its file name placed."""
    rows = clock_rows([(0, 100 * S, 25.0, True), (200 * S, 300 * S, 0.0, False)])
    assert rows.schema == METRICS
    assert rows["name"].to_list() == ["clock_doubt_share", "clock_own"] * 2
    assert rows["value"].to_list() == [0.25, 1.0, 0.0, 0.0]
    assert clock_rows([]).schema == METRICS
