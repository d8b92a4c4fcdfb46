"""herdbook replay: a log played back onto a bus, for tests and training."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Annotated

import typer

from herdbook.pipeline.commands.listen import Buses, DataRate, Fd, Rate, finish, options
from herdbook.pipeline.commands.terminal.options import Json

ORDER = 85
WAITING = 10_000  # frames on a virtual bus: the sender waits for its listener


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook replay ride.blf --bus virtual:bench --profile board.toml --speed 10")(replay)


def replay(
    logs: Annotated[list[Path], typer.Argument(help="Logs, played one after the other.", show_default=False)],
    bus: Buses,
    speed: Annotated[
        float, typer.Option(min=0.0, help="Times as fast as recorded; 0: as fast as the bus takes.")
    ] = 1.0,
    profile: Annotated[Path | None, typer.Option(help="Of a virtual bus: show the roles, as listen does.")] = None,
    out: Annotated[Path | None, typer.Option(help="Of a virtual bus: record it into this folder.")] = None,
    bit_rate: Rate = None,
    data_bit_rate: DataRate = None,
    fd: Fd = False,
    onto_wires: Annotated[
        bool, typer.Option("--onto-wires", help="Send on a real interface: read the caution.")
    ] = False,
    every: Annotated[float, typer.Option(min=1.0, help="Seconds between lines where there is no terminal.")] = 10.0,
    json: Json = False,
) -> None:
    """Play a log back onto a bus, in true time or faster. This sends frames.

    A bus named virtual:... lives in this process alone: it is listened to here, as `herdbook listen` would. Other
    programs hear socketcan:vcan0 and udp_multicast:239.74.163.2. Anything else is a wire, and refused unless
    --onto-wires is given. One bus takes all frames; of several, each those of its label.

    JSON: sent, left_out (error frames, other buses), late_s, and of a virtual bus what `herdbook listen --json` says.
    """
    from dataclasses import replace

    from herdbook.pipeline.bench.live.address import IN_PROCESS, bus_addresses
    from herdbook.pipeline.bench.live.open_bus import OpenBus, open_bus
    from herdbook.pipeline.bench.live.play import CAUTION, Played, play
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.commands.terminal.live_session import Session, listened, stopping
    from herdbook.pipeline.commands.terminal.live_summary import as_dict
    from herdbook.pipeline.errors import HerdbookError, InputError, SettingsError

    addresses = bus_addresses(bus, options(bit_rate, data_bit_rate, fd))
    inside = [a.interface == IN_PROCESS for a in addresses]
    wires = [str(a) for a in addresses if not a.harmless]
    if wires and not onto_wires:
        do = f"{CAUTION} To do it all the same, add --onto-wires; else name a virtual bus"
        raise SettingsError("this is a wire, and replay sends frames", ", ".join(wires), do)
    if any(inside) and not all(inside):
        raise SettingsError("virtual buses and others cannot be mixed", do="Play onto them one after the other")
    if (profile or out) and not all(inside):
        do = "Run `herdbook listen` on the same bus beside this"
        raise SettingsError("only a virtual bus is listened to by the replay itself", do=do)
    for log in logs:
        if not log.is_file():
            raise InputError("there is no such log", log, "Check the path")
    if wires and not json:
        screen.warn(CAUTION)
    senders: list[OpenBus] = []
    played, failed = Played(), list[HerdbookError]()

    def send(stop: threading.Event) -> None:
        try:
            play(logs, senders, speed, stop, played)
            stop.wait(0.5)  # what was sent last is still to be heard
        except HerdbookError as error:
            failed.append(error)

    try:
        senders.extend(open_bus(address) for address in addresses)
        if all(inside):
            if not json:
                screen.say(f"Playing onto {', '.join(map(str, addresses))}, which only this process hears.")
            session = Session(profile=profile, out=out, every=every)
            heard = [replace(a, options={"rx_queue_size": WAITING, **a.options}) for a in addresses]
            listening, known = listened(heard, session, quiet=json, meanwhile=send)
            if json:
                screen.as_json(_sent(played) | as_dict(listening))
            else:
                _say(played, speed)
                finish(listening, known, json=False)
            if listening.failed is not None:
                raise listening.failed
        else:
            with stopping() as asked:
                send(asked)
            if json:
                screen.as_json(_sent(played))
            else:
                _say(played, speed)
    finally:
        for one in senders:
            one.close()
    if failed:
        raise failed[0]


def _sent(played: object) -> dict[str, object]:
    return {name: getattr(played, name) for name in ("sent", "left_out", "late_s")}


def _say(played: object, speed: float) -> None:
    from herdbook.pipeline.commands.terminal import screen

    about = _sent(played)
    sent, left_out, late = int(str(about["sent"])), int(str(about["left_out"])), float(str(about["late_s"]))
    left = f"; {left_out:,} left out (error frames, or of other buses)" if left_out else ""
    screen.say(f"Sent {screen.plural(sent, 'frame')}{left}.")
    if speed and late > 1.0:
        screen.say(f"The last frame was {late:.0f} s late: computer or bus cannot keep up with --speed {speed:g}.")
