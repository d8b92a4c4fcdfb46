"""herdbook backfill: assess again what lies in a range of days, under Prefect."""

from __future__ import annotations

from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Jobs, Json, StoreFolder

ORDER = 160


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook backfill --store fleet --since 2026-01-01")(backfill)


def backfill(
    store: StoreFolder = DEFAULT_STORE,
    since: Annotated[str, typer.Option(help="First day, like 2026-01-31; else from the beginning.")] = "",
    until: Annotated[str, typer.Option(help="Last day; else up to now.")] = "",
    vehicle: Annotated[list[str] | None, typer.Option(help="Only these vehicles; may be repeated.")] = None,
    jobs: Jobs = None,
    json: Json = False,
) -> None:
    """Assess sessions again after rules, limits or a profile changed. Logs are not read again."""
    from dataclasses import replace

    from herdbook.flows.night_settings import read_night_settings
    from herdbook.flows.request import Request
    from herdbook.flows.terminal import run_shown, show
    from herdbook.pipeline.extras import need
    from herdbook.pipeline.store.store import Store

    need("prefect", "herdbook backfill")
    opened = Store.open(store)
    settings = read_night_settings(opened.folder)
    settings = replace(settings, workers=jobs or settings.workers)
    request = Request("backfill", "", str(opened.folder), settings, since, until, tuple(vehicle or ()))
    show(run_shown(request, "backfill"), json)
