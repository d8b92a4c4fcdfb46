"""herdbook night: the nightly scan once, under Prefect."""

from __future__ import annotations

from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Jobs, Json, Profiles, StoreFolder

ORDER = 140


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook night inbox --store fleet --profiles profiles")(night)


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
    from herdbook.flows.supervise import tell_of_death
    from herdbook.flows.terminal import run_shown, show
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.extras import need
    from herdbook.pipeline.store.store import Store

    need("prefect", "herdbook night")
    settings = read_night_settings(store)
    try:
        made = Store.create(store, profiles)
    except Exception as error:
        tell_of_death(error, settings.notify)
        raise
    settings = replace(settings, workers=jobs or settings.workers)
    where = inbox if "://" in inbox or not inbox else str(Path(inbox).absolute())
    where = where or settings.inbox
    if not where:
        raise SettingsError("no inbox", store, "Name one: herdbook night INBOX, or [night] inbox in herdbook.toml")
    show(run_shown(Request("night", where, str(made.folder), settings), "night"), json)
