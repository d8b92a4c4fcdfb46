"""herdbook store: what is in the store, and its upkeep."""

from __future__ import annotations

from typing import Any

import typer

from pipeline.commands.options import DEFAULT_STORE, Json, StoreFolder


def register(app: typer.Typer) -> None:
    group = typer.Typer(help="Say what is in the store, and keep it in order.", no_args_is_help=True)
    group.command(epilog="Example: herdbook store show --store fleet")(show)
    group.command(epilog="Example: herdbook store publish --store fleet")(publish)
    app.add_typer(group, name="store")


def show(store: StoreFolder = DEFAULT_STORE, json: Json = False) -> None:
    """Say what is in the store: vehicles, logs, frames, findings, room taken."""
    from pipeline.commands import screen
    from pipeline.commands.rows import rows
    from pipeline.store import Store

    opened = Store.open(store)
    counts = rows(opened, "store_counts")[0]
    counts["catalogue_bytes"] = opened.fleet.stat().st_size
    if json:
        screen.as_json(counts)
        return
    screen.table(str(opened.folder), ("what", "how much"), list(lines(counts)))


def lines(c: dict[str, Any]) -> list[tuple[str, str]]:
    """The counts in words, each with its unit."""
    return [
        ("vehicles", f"{c['vehicles']:,}"),
        ("logs", f"{c['logs']:,}, of which {c['partial']:,} partial; {c['quarantined']:,} more in quarantine"),
        ("recorded", f"{c['hours']:.1f} h from {str(c['first_t'])[:16]} to {str(c['last_t'])[:16]} UTC"),
        ("frames", f"{c['frames']:,}"),
        ("sessions", f"{c['sessions']:,} with {c['metrics']:,} metrics"),
        ("findings", f"{c['findings']:,}"),
        ("room", f"{c['part_bytes'] / 1e6:.1f} MB of parts, {c['catalogue_bytes'] / 1e6:.1f} MB published catalogue"),
        ("last scan", f"{str(c['last_scan'])[:16]} UTC"),
    ]


def publish(store: StoreFolder = DEFAULT_STORE) -> None:
    """Publish the catalogue again as fleet.duckdb, for instance after the store was moved."""
    from pipeline.commands import screen
    from pipeline.publish import publish as again
    from pipeline.store import Store

    opened = Store.open(store)
    with opened.lock("publish"):
        again(opened)
    screen.say(f"Published: {opened.fleet}")
