"""herdbook doctor: is everything there, and what to do where it is not."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import Json

if TYPE_CHECKING:
    from herdbook.pipeline.upkeep.conditions import Condition

ORDER = 170


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook doctor --store fleet")(doctor)


def doctor(
    store: Annotated[Path | None, typer.Option(help="Look at this store too.", envvar="HERDBOOK_STORE")] = None,
    json: Json = False,
) -> None:
    """Look at program, libraries and store, and say what is missing and what to do. Changes nothing.

    Exit code: 0 when all that is needed is there, 8 when something will not work.

    JSON: a list of objects with what, state (good, told, bad), found, do.
    """
    from dataclasses import asdict

    from herdbook import __version__
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.upkeep.conditions import State, of_store, program

    found = [*program(), browser(), *(of_store(store) if store is not None else ())]
    bad = [c for c in found if c.state is State.BAD]
    if json:
        screen.as_json([asdict(c) | {"state": c.state.value} for c in found])
    else:
        rows = [(c.what, c.state.value, c.found, c.do) for c in found]
        screen.table(f"Herdbook {__version__}", ("what", "state", "found", "what to do"), rows)
        screen.say(f"{screen.plural(len(bad), 'thing')} will not work." if bad else "All that is needed is there.")
    raise typer.Exit(8 if bad else 0)


def browser() -> Condition:
    """The Chromium that prints a history or a certificate; without one all else works."""
    import shutil

    from herdbook.pipeline.reports.page.paper import chromium
    from herdbook.pipeline.upkeep.conditions import Condition, State

    named = chromium()
    if named and shutil.which(named):
        return Condition("Chromium", State.GOOD, named)
    found = f"{named}, which HERDBOOK_CHROMIUM names, is not there" if named else "none on this machine"
    do = "For a history or certificate as PDF: install Chromium, or name one in HERDBOOK_CHROMIUM"
    return Condition("Chromium", State.TOLD, found, do)
