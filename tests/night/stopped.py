"""A scan that is stopped while the catalogue cannot even note its end: what stopped it is heard, whoever runs it."""

from __future__ import annotations

import pytest

from herdbook.pipeline.errors import InputError, StoreError
from herdbook.pipeline.intake.inbox import Found
from herdbook.pipeline.night import steps
from tests.toy.bench import Bench


def hears_what_stopped_it(bench: Bench, runner: steps.Runner, monkeypatch: pytest.MonkeyPatch) -> None:
    """The scan is left as running; the catalogue can be written again afterwards."""

    def no_entry(*_: object, **__: object) -> None:
        raise StoreError("the catalogue is gone too")

    def no_inbox() -> Found:
        raise InputError("the inbox is gone")

    monkeypatch.setattr(steps, "end_scan", no_entry)
    with pytest.raises(InputError, match="the inbox is gone"):
        steps.ScanSteps(bench.store, runner).run("a scan", no_inbox)
    monkeypatch.undo()
