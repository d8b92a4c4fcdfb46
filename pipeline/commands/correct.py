"""herdbook correct: a log that was given to the wrong vehicle is another's, or is forgotten; by whom and why."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

EXAMPLE = 'Example: herdbook correct ride.blf --to ZB-0105 --by "service desk" --why "the dock had the wrong name"'
COLUMNS = ("log", "was", "is", "said on (UTC)", "by", "why")

REFUSED = "in quarantine"
DAY = "%Y-%m-%d %H:%M"
ORDER = 125


def register(app: typer.Typer) -> None:
    app.command(epilog=EXAMPLE)(correct)


def correct(
    log: Annotated[str, typer.Argument(help="File name of a log, or first digits of its SHA-256; else a list.")] = "",
    to: Annotated[str, typer.Option(help="The vehicle whose log it is.")] = "",
    forget: Annotated[bool, typer.Option("--forget", help="It is nobody's: take out all that was made of it.")] = False,
    by: Annotated[str, typer.Option(help="Who answers for it.")] = "",
    why: Annotated[str, typer.Option(help="The reason; histories quote it.")] = "",
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Give a log to another vehicle, or forget it; without a log, list what was said. The next scan judges both again.

    A log in quarantine of which nothing, or too much, says whose it is can be given to its vehicle as well.
    JSON: a list of objects with correction, log, name, from_vehicle (empty: in quarantine), to_vehicle (null:
    forgotten), start_t, end_t, made_t (UTC), made_by, why.
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.intake import corrections
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    if not log and (to or forget):
        raise SettingsError("which log?", do="Name its file, or the first digits of its SHA-256")
    if log and bool(to) == forget:
        raise SettingsError("whose is it?", do="Name its vehicle with --to, or say --forget")
    if not log:
        found = corrections.corrections(opened)
    elif forget:
        found = [corrections.forget(opened, log, by=by, why=why)]
    else:
        found = [corrections.give(opened, log, to, by=by, why=why)]
    if json:
        screen.as_json([asdict(c) for c in found])
    elif not found:
        screen.say("Nothing was said of a log.")
    else:
        rows = [
            (c.name, c.from_vehicle or REFUSED, c.to_vehicle or "forgotten", f"{c.made_t:{DAY}}", c.made_by, c.why)
            for c in found
        ]
        note = "The next scan judges again: herdbook scan" if log else ""
        screen.table(screen.plural(len(found), "correction"), COLUMNS, rows, note=note)
