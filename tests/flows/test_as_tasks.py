"""The steps of a night as Prefect tasks: what stopped it is heard, as in a scan without Prefect."""

from __future__ import annotations

from math import inf

import pytest

from herdbook.flows.night.as_tasks import AsTasks
from herdbook.flows.night.shared_workers import WorkerLimits
from tests.night.stopped import hears_what_stopped_it
from tests.toy.bench import Bench


def test_what_stopped_a_night_is_heard_even_when_its_end_cannot_be_noted(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    runner = AsTasks(bench.store, WorkerLimits(1, 60.0, 4096.0), bundle_mb=16.0, until=inf)
    hears_what_stopped_it(bench, runner, monkeypatch)
