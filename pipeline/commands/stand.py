"""herdbook stand: what a unit does on the test stand or when coasting, each figure with its interval."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import Json
from herdbook.pipeline.commands.terminal.verb_list import VerbList

if TYPE_CHECKING:
    from collections.abc import Sequence

    from herdbook.pipeline.reports.bench.stand_page import Figured

ORDER = 8
SheetFile = Annotated[Path, typer.Argument(help="The test's sheet, a TOML file.", show_default=False)]
Out = Annotated[Path, typer.Option(help="Folder for page and tables.")]
Page = Annotated[bool, typer.Option(help="Write page and tables; --no-page only prints.")]
HELP = "Measure on the test stand: road load by coasting, maps of motor and drive, packs."


def register(app: typer.Typer) -> None:
    group = typer.Typer(
        cls=VerbList,
        help=HELP,
        epilog="Example: herdbook stand coast-down coast.toml --out pages",
        no_args_is_help=True,
    )
    group.command("coast-down", epilog="Example: herdbook stand coast-down coast.toml --out pages")(coast_down)
    group.command(epilog="Example: herdbook stand drive motor.toml --out pages")(drive)
    group.command(epilog="Example: herdbook stand pack pack.toml --out pages")(pack)
    group.command(epilog="Example: herdbook stand compare tyre_a.toml tyre_b.toml --out pages")(compare)
    app.add_typer(group, name="stand", epilog="Example: herdbook stand coast-down coast.toml --out pages")


def coast_down(sheet: SheetFile, out: Out = Path("."), page: Page = True, json: Json = False) -> None:
    """Road load from coasting the same stretch in both directions: force against speed, rolling, drag area.

    Coasts are found in bus logs (nothing drives or brakes, speed falls) or come as tables. Slope and wind along the
    road are taken off by pairs of directions, the rest is brought to 20 degC and 100 kPa.

    JSON: name, figures (name, value, half_width: of the 95 % interval, unit, remark), pairs, told, files.
    """
    from herdbook.pipeline.bench.dynamometer.coast_down import coast_down as evaluate
    from herdbook.pipeline.reports.bench.coast_down_page import figures, sentences, write_coast_down

    found = evaluate(sheet)
    files = write_coast_down(found, out, source=sheet.name) if page else []
    more = {
        "pairs": [
            {"f0_n": p.force[0], "f2": p.force[2], "slope_n": p.slope_n, "wind_ms": p.wind_ms} for p in found.pairs
        ]
    }
    _show(found.name, sentences(found), figures(found), told=found.told, files=files, as_json=json, more=more)


def drive(sheet: SheetFile, out: Out = Path("."), page: Page = True, json: Json = False) -> None:
    """Motor and drive: maps of efficiency driving and braking, constants, drag, heat, each figure with its interval.

    From a bus log, a table of the stand's own instruments, or both: their clocks are then aligned by what both
    recorded, and a table that cannot be aligned is refused.

    JSON: name, figures (name, value, half_width: of the 95 % interval, unit, remark), points, told, files.
    """
    from herdbook.pipeline.bench.dynamometer.drive import drive as evaluate
    from herdbook.pipeline.reports.bench.drive_page import tables, write_drive
    from herdbook.pipeline.reports.bench.drive_words import figures, sentences

    found = evaluate(sheet)
    files = write_drive(found, out, source=sheet.name) if page else []
    more = {"points": tables(found)["points"].to_dicts()} if json else {}
    said, told = sentences(found), found.told
    _show(found.name, said, figures(found), told=told, files=files, as_json=json, more=more)


def pack(sheet: SheetFile, out: Out = Path("."), page: Page = True, json: Json = False) -> None:
    """Pack on the bench: capacity, energy, round trip; dQ/dV, relaxation, resistance and capacity of every group.

    From bus logs of charge and discharge, or a cycler's table of one cell. Full and empty are found by voltage and
    current; a capacity is given only from one end to the other.

    JSON: name, figures (name, value, half_width: of the 95 % interval, unit, remark), steps, told, files.
    """
    from herdbook.pipeline.bench.dynamometer.pack import pack as evaluate
    from herdbook.pipeline.reports.bench.pack_page import tables, write_pack
    from herdbook.pipeline.reports.bench.pack_words import figures, sentences

    found = evaluate(sheet)
    files = write_pack(found, out, source=sheet.name) if page else []
    more = {"steps": tables(found)["steps"].to_dicts()} if json else {}
    said, told = sentences(found), found.told
    _show(found.name, said, figures(found), told=told, files=files, as_json=json, more=more)


def compare(
    first: SheetFile,
    second: Annotated[Path, typer.Argument(help="The sheet it is compared with.", show_default=False)],
    out: Out = Path("."),
    page: Page = True,
    same_instruments: Annotated[
        bool, typer.Option("--same-instruments", help="Both tests had the same instruments: their errors cancel.")
    ] = False,
    json: Json = False,
) -> None:
    """Two tests of one kind, second less first: tyres, wheels, builds, firmwares, each difference with its interval.

    JSON: name, figures (name, value, half_width: of the 95 % interval, unit, remark), told, files.
    """
    from herdbook.pipeline.bench.dynamometer.sheet import read_sheet
    from herdbook.pipeline.errors import InputError

    show = {"coast-down": _compare_coasts, "drive": _compare_drives, "pack": _compare_packs}
    test, other = (read_sheet(sheet).text("test") for sheet in (first, second))
    if test != other:
        raise InputError(
            f"is of kind {other}, and {first.name} of kind {test}", second, "Compare two tests of one kind"
        )
    show[test](first, second, out if page else None, same_instruments, json)


def _compare_coasts(first: Path, second: Path, out: Path | None, same: bool, as_json: bool) -> None:
    from herdbook.pipeline.bench.dynamometer.coast_down import coast_down as evaluate
    from herdbook.pipeline.bench.dynamometer.coast_down import compare_coasts
    from herdbook.pipeline.reports.bench.coast_change_page import figures, sentences, write_coast_change

    found = compare_coasts(evaluate(first, not same), evaluate(second, not same))
    files = write_coast_change(found, out, first.name, second.name) if out else []
    name = f"{found.second.name} against {found.first.name}"
    told = tuple(dict.fromkeys([*found.first.told, *found.second.told]))
    _show(name, sentences(found), figures(found), told=told, files=files, as_json=as_json, more={})


def _compare_drives(first: Path, second: Path, out: Path | None, same: bool, as_json: bool) -> None:
    from herdbook.pipeline.bench.dynamometer.drive import compare_drives
    from herdbook.pipeline.bench.dynamometer.drive import drive as evaluate
    from herdbook.pipeline.reports.bench.drive_page import write_drive_change
    from herdbook.pipeline.reports.bench.drive_words import change_sentences, changed

    found = compare_drives(evaluate(first, not same), evaluate(second, not same))
    files = write_drive_change(found, out, first.name, second.name) if out else []
    a, b = found[0].first, found[0].second
    told = tuple(dict.fromkeys([*a.told, *b.told]))
    name = f"{b.name} against {a.name}"
    _show(name, change_sentences(found), changed(found), told=told, files=files, as_json=as_json, more={})


def _compare_packs(first: Path, second: Path, out: Path | None, same: bool, as_json: bool) -> None:
    from herdbook.pipeline.bench.dynamometer.pack import compare_packs
    from herdbook.pipeline.bench.dynamometer.pack import pack as evaluate
    from herdbook.pipeline.reports.bench.pack_page import write_pack_change
    from herdbook.pipeline.reports.bench.pack_words import change_sentences, changed

    found = compare_packs(evaluate(first, not same), evaluate(second, not same))
    files = write_pack_change(found, out, first.name, second.name) if out else []
    told = tuple(dict.fromkeys([*found.first.told, *found.second.told]))
    name = f"{found.second.name} against {found.first.name}"
    _show(name, change_sentences(found), changed(found), told=told, files=files, as_json=as_json, more={})


def _show(
    name: str,
    said: tuple[str, str],
    figures: Sequence[Figured],
    told: Sequence[str],
    files: Sequence[Path],
    as_json: bool,
    more: dict[str, Any],
) -> None:
    """One result for a person or a script."""
    from dataclasses import asdict

    from herdbook.pipeline.commands.terminal import screen

    if as_json:
        result = {"name": name, "figures": [asdict(f) for f in figures], **more}
        screen.as_json(result | {"told": list(told), "files": [str(path) for path in files]})
        return
    screen.say(f"{name}: {said[0]}", style="bold")
    screen.say(said[1])
    if figures:
        columns = ("figure", "value", "±", "unit", "remark")
        screen.table("Figures, with the half width of the 95 % interval", columns, [f.row for f in figures])
    for line in told:
        screen.point(line)
    _say_files(files)


def _say_files(files: Sequence[Path]) -> None:
    from herdbook.pipeline.commands.terminal import screen

    if files:
        tables = ", ".join(path.name for path in files[1:])
        screen.say(f"Page: {screen.place(files[0])}" + (f"; tables beside it: {tables}" if tables else ""))
