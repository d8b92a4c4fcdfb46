"""herdbook take: only take logs in, for instance all day long as they come; the next scan does the rest."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Jobs, Json, Profiles, StoreFolder

ORDER = 10


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook take ride.blf --store fleet --profiles profiles")(take)


def take(
    inbox: Annotated[Path, typer.Argument(help="Folder of logs (or one log).", show_default=False)],
    store: StoreFolder = DEFAULT_STORE,
    profiles: Profiles = None,
    jobs: Jobs = None,
    json: Json = False,
) -> None:
    """Take logs into the store without assessing them. Exit code 30 when some went to quarantine.

    Before the first scan of a store, `herdbook wires` shows them at once.

    With --json also how full each bus was in each new log, as shares of time; null where the bit rate is not known.
    """
    from herdbook.pipeline.night.forks import preload_workers
    from herdbook.pipeline.store.store import Store

    opened = Store.create(store, profiles)
    preload_workers()  # workers' imports run beside our own
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.intake.bus_load import buses_since
    from herdbook.pipeline.night.changes import QUARANTINED
    from herdbook.pipeline.night.scan import run_take

    start = datetime.now(UTC)
    with screen.progress("take") as told:
        done = run_take(inbox, opened, jobs=jobs or os.cpu_count() or 1, progress=told)
    if json:
        counts = {"logs_new": done.taken, "logs_known": done.known, "quarantined": done.quarantined}
        screen.as_json(counts | {"buses": buses_since(opened.catalogue, start), "inbox": done.as_dict()})
    else:
        screen.say(f"{done.in_words()} The next scan assesses what they touch.")
        for one in done.waiting:
            screen.warn(f"herdbook: waiting: {one.path}: {one.in_words}.")
    raise typer.Exit(QUARANTINED if done.quarantined or done.unaccounted else 0)
