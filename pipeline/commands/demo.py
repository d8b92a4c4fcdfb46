"""herdbook demo: write the invented fleet's logs and profiles into a folder, to try every other verb on."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Annotated

import typer

ORDER = 180
LOGS, PROFILES = "logs", "profiles"
STAND, ACCEPTANCE, BOOK = "stand", "acceptance", "book"
DRAFT = ".herdbook-demo.part"  # where it is made


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook demo try-it")(demo)


def demo(folder: Annotated[Path, typer.Argument(help="A new or empty folder.", show_default=False)]) -> None:
    """Write the logs, DBC files and profiles of an invented fleet of fourteen vehicles, and say what to type next.

    With them: test plans (in profiles), logs of a dynamometer, of coasting and of a pack on the bench (stand), a unit's
    acceptance test with its instrument readings (acceptance), and the workshop's record (book).
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError, StoreError
    from herdbook.pipeline.manual import NOTEBOOK

    try:
        if folder.exists() and (not folder.is_dir() or any(p.name != DRAFT for p in folder.iterdir())):
            raise SettingsError("is not an empty folder", folder, "Name a new one")
        _write(folder)
    except OSError as error:
        do = "Make room, or check the path and its rights; nothing was kept"
        raise StoreError(f"cannot be written ({error.strerror or error})", folder, do) from None
    logs = sum(not p.name.endswith(".toml") for p in (folder / LOGS).iterdir())

    def at(*place: str) -> str:
        path = str(folder.joinpath(*place))
        return f'"{path}"' if " " in path else path  # as every shell takes it

    scan = f"herdbook scan {at(LOGS)} --store {at('store')} --profiles {at(PROFILES)}"
    screen.say(f"{logs} logs of an invented fleet and its profiles lie in {folder}. Try:")
    for command in (
        f"herdbook look {at(LOGS, 'ZB-0105_2026-03-20_ride.blf')} --profile {at(PROFILES, 'zirbel.toml')}",
        scan,
        f"herdbook fleet --store {at('store')} --pages {at('site')}",
        f"herdbook accept {at(ACCEPTANCE)} --plan {at(PROFILES, 'zirbel.stand.plan.toml')} "
        f"--profile {at(PROFILES, 'zirbel.toml')} --readings {at(ACCEPTANCE, 'ZB-0101_readings.toml')}",
        f"herdbook stand drive {at(STAND, 'drive_14.toml')} --out {at('site')}",
    ):
        screen.command(f"  {command}")
    screen.say(
        f"{folder / BOOK} holds what a workshop wrote about these vehicles and 120 more. To take it in, write this as "
        f"the first line of {folder / 'store' / 'herdbook.toml'}, make the fleet's figures, scan again and import:"
    )
    for command in (
        f'vehicles = "{(folder / BOOK / "vehicles.csv").resolve().as_posix()}"',
        f"herdbook store refit --store {at('store')}",
        scan,
        f"herdbook book import {at(BOOK, 'book.csv')} --store {at('store')}",
        f'herdbook herd campaign "belt guard" --count repairs --part belt --days 100 --store {at("store")}',
    ):
        screen.command(f"  {command}")
    screen.say(f"{folder / NOTEBOOK.name} goes on from there in Python, in any notebook.")


def _write(folder: Path) -> None:
    """Whole or not at all, but for an empty folder that is there: that one stays itself and is filled in an instant.
    Raises: OSError."""
    from herdbook.pipeline.manual import NOTEBOOK

    there = folder.exists()
    draft = (folder if there else folder.absolute().parent) / DRAFT
    try:
        shutil.rmtree(draft, ignore_errors=True)  # of one that was killed
        for name, source in sources().items():
            for file in sorted(p for p in source.rglob("*") if p.is_file()):
                target = draft / name / file.relative_to(source)
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(file, target)
        shutil.copy(NOTEBOOK, draft)
        for sheet in (draft / STAND).glob("*.toml"):  # they name profiles where the tree has them
            sheet.write_text(sheet.read_text("utf-8").replace("../../dbc_demo/", f"../{PROFILES}/"), "utf-8")
        if there:
            for made in sorted(draft.iterdir()):
                made.rename(folder / made.name)
        else:
            draft.rename(folder)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


def sources() -> dict[str, Path]:
    """Where the demo's files lie: in the installed package, or in the tree that an editable install points to."""
    from herdbook.pipeline.errors import SettingsError

    base = Path(__file__).parents[2]  # the package herdbook, or the tree
    more = (STAND, ACCEPTANCE, BOOK)
    installed = {name: base / "demo" / name for name in (LOGS, PROFILES, *more)}
    tree = {LOGS: base / "demo_logs" / "fleet", PROFILES: base / "dbc_demo"}
    tree |= {name: base / "demo_logs" / name for name in more}
    for found in (installed, tree):
        if all(p.is_dir() for p in found.values()):
            return found
    raise SettingsError("this installation has no demo files", base, "Install Herdbook again")
