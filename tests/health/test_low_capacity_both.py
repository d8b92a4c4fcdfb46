"""Part of a charge and the whole record about one group: a note of the one is acted on when the other would act."""

from __future__ import annotations

from dataclasses import replace

import pytest

from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.examples import one_session, record
from herdbook.pipeline.health.rule import Finding, NotAssessed, Record
from herdbook.pipeline.health.rules import low_capacity_group
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import Metric


def charges(share: float, se: float) -> Record:
    rows = [Metric("cell_offset_rows", 500.0, "1", None, 500)]
    rows += [
        Metric("cell_capacity_share", v, "1", se, 500, item=k) for k, v in zip("1234", (1, 1, 1, share), strict=True)
    ]
    return record(*(one_session(d, "charge", *rows) for d in range(2)))


def told(held: Record) -> Finding | None:
    said = apply(low_capacity_group.RULE, held)
    assert not isinstance(said, NotAssessed)
    return next(iter(said), None)


@pytest.mark.parametrize(
    ("share", "se", "both"),
    [(0.84, 0.02, Severity.SERVICE), (0.935, 0.002, Severity.NOTE)],
    ids=["16 % short", "less than is acted on"],
)
def test_the_whole_record_bears_out_a_note(
    share: float, se: float, both: Severity, monkeypatch: pytest.MonkeyPatch
) -> None:
    alone = told(charges(share, se))
    assert alone is not None
    assert alone.severity is Severity.NOTE
    by_record = replace(alone, severity=Severity.SERVICE, measured=9.0, statement="by the whole record")
    monkeypatch.setattr(low_capacity_group, "from_fit", lambda *_: [by_record])
    found = told(charges(share, se))
    assert found is not None
    assert found.severity is both
    assert found.measured == pytest.approx(100.0 * (1.0 - share), abs=0.1)  # the charges' figure, not the record's
