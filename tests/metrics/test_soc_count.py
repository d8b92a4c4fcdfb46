"""The report's steps against the counted current; expected values by hand: constant currents over known times."""

from __future__ import annotations

import numpy as np
import pytest

from herdbook.pipeline.health.examples import profile
from herdbook.pipeline.metrics import soc_count
from herdbook.pipeline.vehicle.record import Metric, Session
from herdbook.pipeline.vehicle.signals import Signals
from tests.metrics.conftest import Build


def found(signals: Signals) -> dict[str, Metric]:
    session = Session("x", "ride", signals.start, signals.end)
    return {m.name: m for m in soc_count.SET.compute(session, signals, profile()).metrics}


@pytest.mark.parametrize("share", [1.0, 0.74])
def test_whole_per_cents_tell_the_count_within_a_hundredth(build: Build, share: float) -> None:
    """18 A for six minutes are 6 % of 30 Ah; told in whole per cents once in two seconds."""
    signals = build(
        360.0,
        pack_current=(10.0, 18.0),
        pack_soc=(0.5, lambda s: np.round(71.3 - share * s / 60.0)),
    )
    moved = found(signals)["pack_soc_moved_share"]
    assert moved.value == pytest.approx(share, abs=0.01)
    assert moved.se is not None
    assert moved.se < 0.02


def test_a_report_set_right_on_the_way_is_no_count(build: Build) -> None:
    """It counts right, and falls by twenty per cent at once in the middle."""
    signals = build(
        600.0,
        pack_current=(10.0, 18.0),
        pack_soc=(1.0, lambda s: np.round(71.3 - s / 60.0) - np.where(s > 300.0, 20.0, 0.0)),
    )
    assert found(signals)["pack_soc_moved_share"].value == pytest.approx(1.0, abs=0.02)


def test_one_step_is_no_slope_and_a_stop_is_none_either(build: Build) -> None:
    assert not found(build(60.0, pack_current=(10.0, 18.0), pack_soc=(1.0, lambda s: np.round(70.9 - s / 60.0))))
    assert not found(build(600.0, pack_current=(10.0, 18.0), pack_soc=(1.0, lambda s: np.round(4.0 - s / 200.0))))
