"""The verbs of `herdbook` that need Prefect: night, serve, backfill. Heavy imports wait until a verb runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.options import DEFAULT_STORE, Jobs, Json, Profiles, StoreFolder

if TYPE_CHECKING:
    from herdbook.flows.request import Ended, Request


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook night inbox --store fleet --profiles profiles")(night)
    app.command(epilog="Example: herdbook serve --store fleet")(serve)
    app.command(epilog="Example: herdbook backfill --store fleet --since 2026-01-01")(backfill)


def night(
    inbox: Annotated[str, typer.Argument(help="Folder or URL of the logs; else [night] inbox of herdbook.toml.")] = "",
    store: StoreFolder = DEFAULT_STORE,
    profiles: Profiles = None,
    jobs: Jobs = None,
    json: Json = False,
) -> None:
    """Run the nightly scan once under Prefect: take in what is new, assess, publish, send the message."""
    from dataclasses import replace
    from pathlib import Path

    from herdbook.flows.night_settings import read_night_settings
    from herdbook.flows.request import Request
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.store.store import Store

    made = Store.create(store, profiles)
    settings = read_night_settings(made.folder)
    settings = replace(settings, workers=jobs or settings.workers)
    where = inbox if "://" in inbox or not inbox else str(Path(inbox).absolute())
    where = where or settings.inbox
    if not where:
        raise SettingsError("no inbox", store, "Name one: herdbook night INBOX, or [night] inbox in herdbook.toml")
    _show(_run(Request("night", where, str(made.folder), settings), "night"), json)


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
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    settings = read_night_settings(opened.folder)
    settings = replace(settings, workers=jobs or settings.workers)
    request = Request("backfill", "", str(opened.folder), settings, since, until, tuple(vehicle or ()))
    _show(_run(request, "backfill"), json)


def serve(store: StoreFolder = DEFAULT_STORE) -> None:
    """Keep the nightly scan on its schedule ([night] in herdbook.toml), with Prefect's pages to watch it."""
    from herdbook.flows.server.serve import serve as keep
    from herdbook.flows.server.server import ServerError
    from herdbook.pipeline.commands import screen
    from herdbook.pipeline.errors import StoreError

    try:
        keep(store, screen.say)
    except ServerError as error:
        raise StoreError(str(error), store) from None


def _run(request: Request, title: str) -> Ended:
    from herdbook.flows.supervise import run_once
    from herdbook.pipeline.commands import screen

    with screen.progress(title) as show:
        return run_once(request, show)


def _show(ended: Ended, json: bool) -> None:
    """The change list, and the exit code that pipeline/night/changes.py lays down."""
    from herdbook.pipeline.commands import news, screen

    if ended.note:
        screen.warn(f"herdbook: {ended.note}.")
    if json:
        screen.as_json(ended.result)
        raise typer.Exit(ended.exit_code)
    news.show(ended.result)
    for one in ended.result["failed"]:
        screen.warn(f"herdbook: {one['vehicle']} could not be assessed: {one['problem']}")
    for sent in ended.result["messages"]:
        screen.say(f"Message to {sent['target']}: {sent['state']} {sent['detail']}".rstrip())
    raise typer.Exit(ended.exit_code)
