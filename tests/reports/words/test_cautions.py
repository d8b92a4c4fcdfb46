"""Cautions that are printed: urgent ones for grave findings, none that cry wolf, always the limits of the whole."""

from __future__ import annotations

import pytest

from herdbook.pipeline.health.severity import SUBSYSTEMS, Severity
from herdbook.pipeline.health.voice import order_of
from herdbook.pipeline.reports.words.cautions import BRAKE, DRIVE, GENERAL, HEAT, PACK, Caution, for_findings


def of(subsystem: str, severity: str) -> list[Caution]:
    return for_findings([{"subsystem": subsystem, "severity": severity}])


@pytest.mark.parametrize("subsystem", SUBSYSTEMS)
@pytest.mark.parametrize("severity", Severity)
def test_the_limits_are_always_said_last(subsystem: str, severity: str) -> None:
    assert of(subsystem, severity)[-1] == GENERAL
    assert all(c.text and c.source for c in of(subsystem, severity))


def test_grave_findings_bring_theirs() -> None:
    assert of("braking", "service")[1] == BRAKE
    assert of("drive", "stop-use")[1] == DRIVE
    assert of("drive", "stop-use")[0].text == order_of("stop-use")
    assert set(PACK) <= set(of("cells", "service"))
    assert HEAT in of("thermal", "stop-use")


def test_notes_do_not_cry_wolf() -> None:
    for subsystem in SUBSYSTEMS:
        assert of(subsystem, "note") == [GENERAL]
    assert [c.text for c in of("drive", "service")] == [order_of("service"), GENERAL.text]


def test_a_brake_beside_a_note_of_drive_does_not_claim_runaway_drive() -> None:
    both = [{"subsystem": "braking", "severity": "stop-use"}, {"subsystem": "drive", "severity": "note"}]
    assert DRIVE not in for_findings(both)
