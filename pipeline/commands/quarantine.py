"""herdbook quarantine: logs that could not be used, why, and how to try them again."""

from __future__ import annotations

import os
from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Jobs, Json, StoreFolder

ORDER = 120


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook quarantine --retry --store fleet")(quarantine)


def quarantine(
    store: StoreFolder = DEFAULT_STORE,
    retry: Annotated[bool, typer.Option("--retry", help="Try all of them again, now.")] = False,
    jobs: Jobs = None,
    json: Json = False,
) -> None:
    """List the logs in quarantine with reason and advice. The files stay where they were found.

    The vehicle is the one that the sidecar or the path names; nobody has confirmed it.

    JSON: a list of objects with name, folder, reason, detail, advice, tries, last_t (UTC), path, log (SHA-256 of the
    file), vehicle (or null).
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.commands.terminal.rows import rows
    from herdbook.pipeline.intake.claimed import claimed_vehicle
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    if retry:
        from herdbook.pipeline.night.again import retry_quarantine

        with screen.progress("quarantine") as told:
            retry_quarantine(opened, jobs=jobs or os.cpu_count() or 1, progress=told)
    found = [row | {"vehicle": claimed_vehicle(opened, row["path"]) or None} for row in rows(opened, "quarantine")]
    if json:
        screen.as_json(found)
    elif not found:
        screen.say("Nothing is in quarantine.")
    else:
        columns = ("vehicle", "name", "folder", "reason", "detail", "advice", "tries")
        title = f"{screen.plural(len(found), 'log')} in quarantine"
        rows_shown = [[f[c] for c in columns] for f in found]
        screen.table(title, columns, rows_shown, note="Once mended: herdbook quarantine --retry")
