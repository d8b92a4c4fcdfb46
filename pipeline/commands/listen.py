"""herdbook listen: a bus while it runs: recorded, decoded, watched."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import Json

if TYPE_CHECKING:
    from herdbook.pipeline.bench.live.listening import Listening
    from herdbook.pipeline.vehicle.profile import Profile

ORDER = 84
SILENT = (
    "It sends no frame. An interface acknowledges the frames of others unless it is set to silent (listen-only), which "
    "its driver or `ip link` does."
)

Buses = Annotated[
    list[str],
    typer.Option(
        "--bus", help="INTERFACE:CHANNEL[,option=value...] of python-can; again for more.", show_default=False
    ),
]
Rate = Annotated[int | None, typer.Option(min=1000, max=10_000_000, help="Bit rate, where the interface sets it.")]
DataRate = Annotated[int | None, typer.Option(min=1000, max=20_000_000, help="Bit rate of CAN FD's data phase.")]
Fd = Annotated[bool, typer.Option("--fd", help="The bus speaks CAN FD.")]


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook listen --bus socketcan:can0 --profile board.toml --out recorded")(listen)


def listen(
    bus: Buses,
    profile: Annotated[Path | None, typer.Option(help="The vehicle's profile: shows its roles.")] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the log; without it nothing is recorded.")] = None,
    vehicle: Annotated[str, typer.Option(help="Whose bus it is; names the log and stands beside it.")] = "",
    bench: Annotated[bool, typer.Option("--bench", help="Say beside the log that the unit is on the bench.")] = False,
    bit_rate: Rate = None,
    data_bit_rate: DataRate = None,
    fd: Fd = False,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="Stop after so long; else on Ctrl-C.")] = None,
    file_mb: Annotated[int, typer.Option(min=1, help="Begin a new file at so many megabytes.")] = 256,
    file_minutes: Annotated[float, typer.Option(min=0.1, help="Begin a new file after so long.")] = 60.0,
    every: Annotated[float, typer.Option(min=1.0, help="Seconds between lines where there is no terminal.")] = 10.0,
    json: Json = False,
) -> None:
    """Listen to a CAN bus: record it, decode it, show its roles. It never sends a frame.

    Ctrl-C ends it in order. Exit code: 0 ended as asked, 9 a bus could not be opened or went away, 5 no room for the
    log; what was recorded is kept.

    JSON: frames, lost, error_frames, overruns, unknown, delay_ms (99 of 100 frames decoded within), files, bytes, gone,
    beyond (role, item, samples, worst, low, high).
    """
    from herdbook.pipeline.bench.live.address import bus_addresses
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.commands.terminal.live_session import Session, listened

    common = options(bit_rate, data_bit_rate, fd)
    addresses = bus_addresses(bus, common)
    session = Session(
        profile=profile,
        out=out,
        vehicle=vehicle,
        bench=bench,
        file_bytes=file_mb * 1_000_000,
        file_seconds=file_minutes * 60.0,
        seconds=seconds,
        every=every,
    )
    if not json:
        screen.say(f"Listening to {', '.join(map(str, addresses))}. {SILENT}")
    listening, known = listened(addresses, session, quiet=json)
    finish(listening, known, json)


def options(bit_rate: int | None, data_bit_rate: int | None, fd: bool) -> dict[str, Any]:
    given = {"bitrate": bit_rate, "data_bitrate": data_bit_rate, "fd": fd or None}
    return {name: value for name, value in given.items() if value is not None}


def finish(listening: Listening, profile: Profile | None, json: bool) -> None:
    """Say what was heard. Raises: what ended the recording, which sets the exit code."""
    from herdbook.pipeline.commands.terminal import live_summary, screen

    if json:
        screen.as_json(live_summary.as_dict(listening))
    else:
        live_summary.say_summary(listening, profile)
    for ended in (listening.fault, listening.failed):
        if ended is not None:
            raise ended
    if listening.gone:
        raise listening.gone[0]
