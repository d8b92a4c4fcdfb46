"""herdbook history: what a vehicle has been through; herdbook verify: does the file still match the store."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from herdbook.pipeline.commands.options import DEFAULT_STORE, Json, StoreFolder, Vehicle
from herdbook.pipeline.times import utc_now


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook history ZB-1007 --store fleet --zone Europe/Vienna --out .")(history)
    app.command(epilog="Example: herdbook verify zb-1007.html --store fleet")(verify)


def history(
    vehicle: Vehicle,
    store: StoreFolder = DEFAULT_STORE,
    out: Annotated[Path | None, typer.Option(help="File or folder to write; else the store's pages.")] = None,
    form: Annotated[str, typer.Option("--format", help="html, csv or json.")] = "html",
    zone: Annotated[str | None, typer.Option(help="Time zone of the reader; else the vehicle's.")] = None,
    units: Annotated[str, typer.Option(help="km or mi.")] = "km",
    as_of: Annotated[datetime | None, typer.Option(help="What was known then (UTC).")] = None,
    by: Annotated[str, typer.Option(help="Who writes it: goes into the file, with the time.")] = "",
    json: Json = False,
) -> None:
    """Write one vehicle's history for a warranty file: dated, neutral, every line with its source."""
    from herdbook.pipeline.commands import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.reports import write_history
    from herdbook.pipeline.store.store import Store

    if form not in ("html", "csv", "json"):
        raise SettingsError(f"--format {form} is not known", do="Use html, csv or json")
    if units not in ("km", "mi"):
        raise SettingsError(f"--units {units} is not known", do="Use km or mi")
    opened = Store.open(store)
    if json and out is None:
        from herdbook.pipeline.reports.history.document import document

        now = utc_now()
        screen.as_json(document(opened, vehicle, zone, units, as_of, by, now if by else None))
        return
    written = write_history(opened, vehicle, out or opened.pages, "json" if json else form, zone, units, as_of, by)
    screen.say(f"History: {screen.place(written)}")


def verify(
    file: Annotated[Path, typer.Argument(help="A history that Herdbook wrote.", show_default=False)],
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Check a history against the store: unaltered, logs intact, the same if written again. Else exit code 8."""
    from herdbook.pipeline.commands import screen
    from herdbook.pipeline.reports import verify_history
    from herdbook.pipeline.store.store import Store

    found = verify_history(Store.open(store), file)
    if json:
        screen.as_json(found.as_dict())
    else:
        screen.table(str(file), ("check", "holds", "detail"), [(c.what, c.ok, c.detail) for c in found.checks])
    raise typer.Exit(0 if found.ok else 8)
