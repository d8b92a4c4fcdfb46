"""herdbook fleet: the vehicles with their headline scores and findings; on request as a static site."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from pipeline.commands.options import DEFAULT_STORE, Json, StoreFolder

COLUMNS = ("vehicle", "profile", "cells", "thermal", "braking", "stop_use", "service", "note", "logs", "last_t")
NOTE = "Scores 0 to 100, – is not assessed. A good score is no proof of safety."


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook fleet --store fleet --pages site")(fleet)


def fleet(
    store: StoreFolder = DEFAULT_STORE,
    pages: Annotated[Path | None, typer.Option(help="Also write the fleet page and a page a vehicle here.")] = None,
    dossiers: Annotated[bool, typer.Option("--dossiers", help="With --pages: also dossiers, of whom to call.")] = False,
    notes: Annotated[bool, typer.Option("--notes", help="Show findings of severity `note` too.")] = False,
    json: Json = False,
) -> None:
    """List the vehicles with their scores and findings, stop-use first."""
    from pipeline.commands import screen
    from pipeline.commands.rows import rows
    from pipeline.store import Store

    opened = Store.open(store)
    vehicles = rows(opened, "fleet_table")
    severities = ["stop-use", "service", "note"] if notes else ["stop-use", "service"]
    findings = rows(opened, "fleet_findings", severities=severities)
    if json:
        screen.as_json({"vehicles": vehicles, "findings": findings})
    else:
        show(vehicles, findings)
    if pages is not None:
        from pipeline.reports import write_fleet

        with screen.progress("fleet") as told:
            called = ("stop-use", "service") if dossiers else ()
            written = write_fleet(opened, pages, lambda done, total: told(done, total, "pages"), called)
        if not json:
            screen.say(f"Fleet page: {screen.place(written)}")


def show(vehicles: list[dict[str, Any]], findings: list[dict[str, Any]]) -> None:
    from pipeline.commands import screen

    rows = [[round(v[c]) if isinstance(v[c], float) else v[c] for c in COLUMNS] for v in vehicles]
    heads = [c.replace("_t", " log").replace("_", "-") for c in COLUMNS]
    screen.table(f"{len(rows)} vehicles", heads, rows, note=NOTE)
    screen.say()
    if findings:
        listed = [[f[c] for c in ("vehicle", "severity", "rule", "item", "statement")] for f in findings]
        screen.table(f"{len(listed)} findings", ("vehicle", "severity", "rule", "item", "what was recorded"), listed)
    else:
        screen.say("No findings.")
    if any(f["severity"] == "stop-use" for f in findings):
        screen.say("\nStop-use: do not ride or charge until a qualified person has inspected the vehicle. "
                   "A nightly scan is not a safety system.", style="bold")
