"""Backfill: assess again what lies in a range of days, after rules, limits, a profile or a metric changed.

Logs are not read again: sessions and metrics are made anew from the parts in the lake, findings and scores
from them. The night after a backfill has nothing of it to do again.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from prefect import flow
from prefect.client.schemas.objects import State

from herdbook.flows.night.flow import as_flow
from herdbook.flows.night.task_runner import task_runner
from herdbook.flows.night_settings import read_night_settings
from herdbook.flows.request import Request
from herdbook.pipeline.night.progress import Progress


def backfill_name() -> str:
    from prefect.runtime import flow_run

    given = flow_run.parameters or {}
    return f"backfill from {given.get('since') or 'the beginning'} to {given.get('until') or 'now'}"


@flow(name="backfill", flow_run_name=backfill_name, persist_result=False)
def backfill(
    store: str, since: str = "", until: str = "", vehicles: Sequence[str] = (), workers: int = 0
) -> State[dict[str, Any]]:
    """Assess again. since, until: days like 2026-01-31, both included; empty: no bound. vehicles: all if empty."""
    from dataclasses import replace

    settings = read_night_settings(store)
    settings = replace(settings, workers=workers or settings.workers)
    return as_flow(Request("backfill", "", store, settings, since, until, tuple(vehicles)))


def run(request: Request, progress: Progress) -> dict[str, Any]:
    """The flow once, in this process. Raises: what the steps raise."""
    from herdbook.flows.night.flow import PROGRESS

    PROGRESS.append(progress)
    asked = backfill.with_options(task_runner=task_runner(request.settings))
    found: dict[str, Any] = asked(
        request.store, request.since, request.until, list(request.vehicles), request.settings.workers
    )  # type: ignore[assignment]
    return found
