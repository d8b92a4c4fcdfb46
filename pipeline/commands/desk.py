"""herdbook desk: a local page to look around in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE

if TYPE_CHECKING:
    from herdbook.pipeline.desk.serve import Listening, Sharing
    from herdbook.pipeline.store.store import Store

ORDER = 48
EVERYWHERE = "0.0.0.0"


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook desk fleet-store")(desk)


def desk(
    store: Annotated[
        Path, typer.Argument(envvar="HERDBOOK_STORE", help="Folder of the store.", show_default=True)
    ] = DEFAULT_STORE,
    port: Annotated[int | None, typer.Option(min=0, max=65535, help="Else 8420, or the next that is free.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only say the address.")] = False,
    share: Annotated[bool, typer.Option("--share", help="Let others of the local network in, by a password.")] = False,
    prepare: Annotated[
        bool, typer.Option("--prepare", help="Only prepare what long stretches are drawn from, and leave.")
    ] = False,
    host: Annotated[
        str | None, typer.Option(help="With --share: the address of this machine to listen on; else on all.")
    ] = None,
) -> None:
    """Look around in the browser: the fleet, the night, signals down to a sample, notes, histories, SQL.

    Everything stays on this machine: it listens on loopback alone, and only who has the address with its token is let
    in. With --share others may enter by a password: HERDBOOK_DESK_PASSWORD, else one is made and shown. Ctrl-C ends it.
    After a night, --prepare saves the first look at each vehicle its wait; Ctrl-C keeps what is done.
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.extras import need
    from herdbook.pipeline.store.store import Store

    _refuse(prepare=prepare, share=share, port=port, host=host, no_browser=no_browser)
    if prepare:
        _prepare(Store.open(store))
        return
    for module in ("starlette", "uvicorn"):
        need(module, "herdbook desk")
    from herdbook.pipeline.desk.serve import listen, serve

    opened = Store.open(store)
    sharing = _sharing(host or EVERYWHERE) if share else None
    listening = listen(opened, port, sharing)

    def ready() -> None:
        for line in said(listening, sharing):
            screen.say(line)
        if not no_browser and not share:
            _show(listening.address)

    serve(listening, ready)
    screen.say("The desk is closed.")
    _leave()


def _refuse(*, prepare: bool, share: bool, port: int | None, host: str | None, no_browser: bool) -> None:
    """Raises: SettingsError for what would be passed over without a word."""
    from herdbook.pipeline.errors import SettingsError

    given = {"--share": share, "--port": port is not None, "--host": host is not None, "--no-browser": no_browser}
    beside = [name for name, there in given.items() if there]
    if prepare and beside:
        do = f"Leave {' and '.join(beside)} out, or start the desk afterwards without --prepare"
        raise SettingsError("--prepare only prepares and leaves: it listens nowhere", do=do)
    if host is not None and not share:
        do = "Add --share to let others in, or leave --host out"
        raise SettingsError("--host names where to share, and without --share the desk shares nothing", do=do)


def _prepare(store: Store) -> None:
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.desk.prepare import prepare
    from herdbook.pipeline.extras import need

    need("starlette", "herdbook desk")
    with screen.progress("prepare") as far:
        found = prepare(store, far)
    screen.say(found.words)


def _leave() -> None:
    """At once, everything being closed: a thread may still be inside a database or loading one, and Python's own way
    out would tear it down there."""
    import os
    import sys

    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(0)


def said(listening: Listening, sharing: Sharing | None) -> list[str]:
    """What a person must know, a line each."""
    if sharing is None:
        return [
            f"The desk of {listening.desk.store.folder}: {listening.address}",
            "It listens on this machine alone (127.0.0.1); nobody else can reach it. Ctrl-C ends it.",
        ]
    return [
        f"The desk of {listening.desk.store.folder}: {listening.root}",
        f"SHARED: whoever reaches this machine on {sharing.host} port {listening.port} can ask to enter; "
        f"the password is {sharing.password}",
        "Nothing is encrypted on the way: share it in a network that you trust. Ctrl-C ends it.",
    ]


def _sharing(host: str) -> Sharing:
    import os
    import secrets

    from herdbook.pipeline.desk.doors import LEAST
    from herdbook.pipeline.desk.serve import Sharing
    from herdbook.pipeline.errors import SettingsError

    chosen = os.environ.get("HERDBOOK_DESK_PASSWORD", "")
    if chosen and len(chosen) < LEAST:
        do = f"Choose at least {LEAST} characters, or leave it out and one is made"
        raise SettingsError("HERDBOOK_DESK_PASSWORD is too short", do=do)
    return Sharing(host, chosen or secrets.token_urlsafe(12))


def _show(address: str) -> None:
    """In the browser of whoever started it; where there is none, the address in the terminal is enough."""
    import threading
    import webbrowser

    threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
