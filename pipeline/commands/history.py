"""herdbook history: what a vehicle has been through, for a warranty file."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder, Vehicle

ORDER = 60
FORMS = ("html", "csv", "json", "pdf")


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook history ZB-1007 --store fleet --zone Europe/Vienna --out .")(history)


def history(
    vehicle: Vehicle,
    store: StoreFolder = DEFAULT_STORE,
    out: Annotated[Path | None, typer.Option(help="File or folder to write; else the store's pages.")] = None,
    form: Annotated[str, typer.Option("--format", help="html, csv, json or pdf; else as --out ends, else html.")] = "",
    pdf: Annotated[bool, typer.Option("--pdf", help="On paper, with the signed page inside (needs Chromium).")] = False,
    zone: Annotated[str | None, typer.Option(help="Time zone of the reader; else the vehicle's.")] = None,
    units: Annotated[str, typer.Option(help="km or mi.")] = "km",
    as_of: Annotated[datetime | None, typer.Option(help="What was known then (UTC).")] = None,
    by: Annotated[str, typer.Option(help="Who writes it: goes into the file, with the time.")] = "",
    json: Json = False,
) -> None:
    """Write one vehicle's history for a warranty file: dated, neutral, every line with its source; signed."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.reports import write_history
    from herdbook.pipeline.store.store import Store

    form = "pdf" if pdf else form
    if form and form not in FORMS:
        raise SettingsError(f"--format {form} is not known", do="Use html, csv, json or pdf")
    if units not in ("km", "mi"):
        raise SettingsError(f"--units {units} is not known", do="Use km or mi")
    opened = Store.open(store)
    if json and out is None:
        from herdbook.pipeline.reports.history.write import signed_history

        screen.as_json(signed_history(opened, vehicle, zone=zone, units=units, as_of=as_of, by=by))
        return
    where, fmt = out or opened.pages, "json" if json else form
    written = write_history(opened, vehicle, where, fmt=fmt, zone=zone, units=units, as_of=as_of, by=by)
    screen.say(f"History: {screen.place(written)}")
