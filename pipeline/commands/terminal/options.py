"""Options that several verbs share, said once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

StoreFolder = Annotated[
    Path, typer.Option("--store", "-s", envvar="HERDBOOK_STORE", help="Folder of the store.", show_default=True)
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for a script instead of text for a person.")]
Vehicle = Annotated[str, typer.Argument(help="Vehicle as `herdbook fleet` lists it.", show_default=False)]
Profiles = Annotated[
    Path | None,
    typer.Option("--profiles", "-p", help="Folder of vehicle profiles; else the one herdbook.toml names."),
]
Jobs = Annotated[int | None, typer.Option("--jobs", "-j", min=1, help="Worker processes; else one a core.")]

DEFAULT_STORE = Path("herdbook-store")
