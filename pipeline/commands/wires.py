"""herdbook wires: any signals of a unit between two times, on the terminal or into a file."""

from __future__ import annotations

import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder, Vehicle
from herdbook.pipeline.times import micros

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

TIMES = [
    "%Y-%m-%d",
    "%Y-%m-%dT%H:%M:%S",
    "%Y-%m-%dT%H:%M:%S.%f",
    "%Y-%m-%d %H:%M:%S",
    "%Y-%m-%d %H:%M",
    "%Y-%m-%dT%H:%M:%SZ",
]
Moment = Annotated[datetime | None, typer.Option(formats=TIMES, help="UTC; else where the record begins or ends.")]

ORDER = 80


def register(app: typer.Typer) -> None:
    app.command(epilog='Example: herdbook wires ZB-0105 pack_current "motor_current[left]" --out brake.html')(wires)


def wires(
    vehicle: Vehicle,
    signals: Annotated[
        list[str],
        typer.Argument(
            help="Roles (pack_current, cell_voltage[7]) or signals (BMS_Pack.PackVoltage).", show_default=False
        ),
    ],
    store: StoreFolder = DEFAULT_STORE,
    since: Moment = None,
    until: Moment = None,
    out: Annotated[Path | None, typer.Option(help="Write .html, .parquet, .csv or .mf4 instead of showing.")] = None,
    points: Annotated[int | None, typer.Option(min=2, help="Thin each signal to about so many samples.")] = None,
    every: Annotated[float | None, typer.Option(min=1e-6, help="One grid of that step in seconds (tables).")] = None,
    zone: Annotated[str | None, typer.Option(help="Time zone of the axis; else UTC.")] = None,
    json: Json = False,
) -> None:
    """Show signals of a unit between two times, or write them as figure, Parquet, CSV or MF4.

    --json prints a summary of each signal, with --points its samples, thinned to about so many.
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.words import numbers
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    start, end = span(opened, vehicle, since, until)
    if out is not None:
        from herdbook.pipeline.reports.signals.files import write_signals

        written = write_signals(
            opened, vehicle, signals, start=start, end=end, out=out, points=points, every_s=every, zone=zone
        )
        if json:
            screen.as_json({"file": str(written), "bytes": written.stat().st_size})
            return
        screen.say(f"Written: {screen.place(written)} ({written.stat().st_size / 1e6:.2f} MB)")
        return
    from herdbook.pipeline.reports.signals.terminal import plot_lines
    from herdbook.pipeline.reports.signals.window import gather

    found = gather(opened, vehicle, signals, start, end)
    if json:
        from herdbook.pipeline.reports.signals.window import described

        screen.as_json([described(wire, points) for wire in found])
        return
    ascii_only = "utf" not in (sys.stdout.encoding or "").lower()
    width = min(screen.console().width, 160)
    print("\n".join(map(screen.safe, plot_lines(found, width, numbers.zone_of(zone), ascii_only=ascii_only))))


def span(store: Store, vehicle: str, since: datetime | None, until: datetime | None) -> tuple[int, int]:
    """Microseconds UTC, end excluded; what is left open is the last session, or the last log.

    Raises: NotKnownError, SettingsError.
    """
    from herdbook.pipeline.commands.terminal.rows import rows
    from herdbook.pipeline.errors import NotKnownError, SettingsError

    found = rows(store, "last_session", vehicle=vehicle) or rows(store, "last_log", vehicle=vehicle)
    if not found:
        raise NotKnownError(f"no log of {vehicle!r}", do="`herdbook fleet` lists the vehicles")
    first, last = found[0]["start_t"], found[0]["end_t"]
    if until is None:
        until = last if since is None or last > since else since + timedelta(days=1)
    if since is None:
        since = first if first < until else until - timedelta(days=1)
    if since >= until:
        raise SettingsError("--since is not before --until", do="Give them the other way round")
    return micros(since), micros(until)
