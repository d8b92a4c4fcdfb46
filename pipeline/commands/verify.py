"""herdbook verify: is a history or a certificate as it was signed, and does it still match the store."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json

ORDER = 70
MOST_SHOWN = 20

Store_ = Annotated[
    Path | None,
    typer.Option("--store", "-s", envvar="HERDBOOK_STORE", help=f"Folder of the store; without a key {DEFAULT_STORE}."),
]
Key = Annotated[
    str, typer.Option("--public-key", help="Key of who signed it, or a file that holds it; then no store is needed.")
]


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook verify zb-1007.html --store fleet")(verify)


def verify(
    file: Annotated[Path, typer.Argument(help="A history or certificate that Herdbook wrote.", show_default=False)],
    store: Store_ = None,
    public_key: Key = "",
    json: Json = False,
) -> None:
    """Check a history: as it was signed, its logs and data intact, the same if written again. Else exit code 8.

    Who has only the file gives the public key (`herdbook store key` prints it) and learns that nothing in the file was
    changed since it was signed. With the store every line is held against the records too; of a certificate, whether
    the store entered that very test.
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports import verify_history
    from herdbook.pipeline.reports.bench.certificate_check import is_certificate, verify_certificate
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store or DEFAULT_STORE) if store or not public_key else None
    checked = verify_certificate if is_certificate(file) else verify_history
    found = checked(opened, file, public_key)
    if json:
        screen.as_json(found.as_dict())
    else:
        screen.table(str(file), ("check", "holds", "detail"), [(c.what, c.ok, c.detail) for c in found.checks])
        screen.say("\nWhat a check proves when it holds")
        for check in found.checks:
            screen.point(f"{check.what}: {check.proves}.")
        if found.unchecked:
            screen.say(found.unchecked)
        if found.differences:
            screen.say(f"\n{screen.plural(len(found.differences), 'difference')}")
            for difference in found.differences[:MOST_SHOWN]:
                screen.point(difference)
            if (rest := len(found.differences) - MOST_SHOWN) > 0:
                screen.say(f"and {rest:,} more; all of them with --json")
    raise typer.Exit(0 if found.ok else 8)
