"""herdbook dossier: everything about one unit on one page for the bench."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder, Vehicle

ORDER = 50


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook dossier ZB-1007 --store fleet --out zb-1007.html")(dossier)


def dossier(
    vehicle: Vehicle,
    store: StoreFolder = DEFAULT_STORE,
    out: Annotated[Path | None, typer.Option(help="File or folder to write; else the store's pages.")] = None,
    name_peers: Annotated[
        bool, typer.Option("--name-peers", help="Name other vehicles in comparisons: for inside use only.")
    ] = False,
    json: Json = False,
) -> None:
    """Write one unit's dossier: a self-contained page with findings, evidence and next bench checks."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports import write_dossier
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    if json:
        from herdbook.pipeline.reports.dossier.data import dossier_data

        screen.as_json(dossier_data(opened, vehicle))
        if out is None:
            return
    written = write_dossier(opened, vehicle, out or opened.pages, name_peers)
    if json:
        return
    screen.say(f"Dossier: {screen.place(written)} ({written.stat().st_size / 1e6:.1f} MB, opens offline)")
