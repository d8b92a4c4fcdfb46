"""herdbook verify: does a history still match the store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

ORDER = 70


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook verify zb-1007.html --store fleet")(verify)


def verify(
    file: Annotated[Path, typer.Argument(help="A history that Herdbook wrote.", show_default=False)],
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Check a history against the store: unaltered, logs intact, the same if written again. Else exit code 8."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports import verify_history
    from herdbook.pipeline.store.store import Store

    found = verify_history(Store.open(store), file)
    if json:
        screen.as_json(found.as_dict())
    else:
        screen.table(str(file), ("check", "holds", "detail"), [(c.what, c.ok, c.detail) for c in found.checks])
    raise typer.Exit(0 if found.ok else 8)
