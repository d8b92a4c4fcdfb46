"""herdbook serve: the nightly scan on its schedule, with Prefect's pages to watch it."""

from __future__ import annotations

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, StoreFolder

ORDER = 150


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook serve --store fleet")(serve)


def serve(store: StoreFolder = DEFAULT_STORE) -> None:
    """Keep the nightly scan on its schedule ([night] in herdbook.toml), with Prefect's pages to watch it."""
    from herdbook.flows.server.serve import serve as keep
    from herdbook.flows.server.server import ServerError
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import StoreError
    from herdbook.pipeline.extras import need

    need("prefect", "herdbook serve")
    try:
        keep(store, screen.say)
    except ServerError as error:
        raise StoreError(str(error), store) from None
