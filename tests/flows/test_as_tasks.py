"""The steps of a night as Prefect tasks: what stopped it is heard, as in a scan without Prefect."""

from __future__ import annotations

from math import inf

import pytest

from herdbook.flows.night.as_tasks import AsTasks
from herdbook.flows.night.shared_workers import WorkerLimits
from herdbook.pipeline.errors import InputError, StoreError
from herdbook.pipeline.intake.inbox import Found
from herdbook.pipeline.night import steps
from tests.toy.bench import Bench


def test_what_stopped_a_night_is_heard_even_when_its_end_cannot_be_noted(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_entry(*_: object, **__: object) -> None:
        raise StoreError("the catalogue is gone too")

    def no_inbox() -> Found:
        raise InputError("the inbox is gone")

    monkeypatch.setattr(steps, "end_scan", no_entry)
    runner = AsTasks(bench.store, WorkerLimits(1, 60.0, 4096.0), bundle_mb=16.0, until=inf)
    with pytest.raises(InputError, match="the inbox is gone"):
        steps.ScanSteps(bench.store, runner).run("the nightly scan", no_inbox)
