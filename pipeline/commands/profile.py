"""herdbook profile: check a vehicle profile against its DBC files and, where there are any, against logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import Json
from herdbook.pipeline.commands.terminal.verb_list import VerbList

if TYPE_CHECKING:
    from herdbook.pipeline.vehicle.profile import Profile

ORDER = 130
FORMS = """\
Draft a vehicle profile from DBC files, and check one, also against logs.

A profile is one TOML file beside its DBC files. An entry of [roles] says which signal plays a role:

\b
pack_voltage = "Pack.Volt"                      the DBC's unit is converted
pack_current = { signal = "Pack.Amps", scale = -1 }      also offset, unit
pack_soc = { signal = "Pack.Fill", not_available = [127.5] }
cell_voltage = { signal = "Cells.G{n:02d}", n = "1..12" }     items by number
cell_voltage = ["CELLS_A.C{1..4}", "CELLS_B.C{5..8}"]    several messages
cell_voltage = { signal = "C.Volt", index = "Nr", index_values = "0..11" }
cell_bleed = { signal = "Bal.Mask", first_bit = 4, n = "1..12" }
motor_temp = { left = "INV_L.Temp", right = "INV_R.Temp" }
motor_speed = { signal = "INV.Rpm", source = 0x21 }  J1939; sender, channel
pack_current = { signal = "Pack.Power", voltage = "Pack.Volt" }
throttle = { value = "max(Drv.Torque, 0)", unit = "%" }        a formula
regen_state = { signal = "Drv.Mode", states = { Braking = "active" } }
bms_fault = { flags = ["Err.OverVolt", "Err.TooHot"] }       single bits
bms_fault = { signal = "Err.Code", codes = true }       numbers of faults
pack_serial = { signal = "ID.Serial", format = "BP-{:08X}" }

All of them, and every figure: dbc_demo/README.md. Two whole profiles: dbc_demo/zirbel.toml, dbc_demo/saumer.toml."""


def register(app: typer.Typer) -> None:
    group = typer.Typer(
        cls=VerbList,
        help=FORMS,
        short_help="Draft a vehicle profile from DBC files, and check one, also against logs.",
        epilog="Example: herdbook profile check dbc_demo/zirbel.toml --log rides",
        no_args_is_help=True,
    )
    group.command(epilog="Example: herdbook profile check dbc_demo/zirbel.toml --log rides")(check)
    group.command(epilog="Example: herdbook profile draft dbc_demo/zirbel.dbc --out mine/board.toml")(draft)
    app.add_typer(group, name="profile")


def check(
    file: Annotated[Path, typer.Argument(help="The profile, a TOML file.", show_default=False)],
    log: Annotated[
        list[Path] | None,
        typer.Option(help="A log, or a folder of logs, to hold it against; may be given again."),
    ] = None,
    html: Annotated[Path | None, typer.Option(help="With --log: write a page with a picture of each test.")] = None,
    json: Json = False,
) -> None:
    """Check a vehicle profile: every mistake in it at once, which roles it has, and which rules can be judged with it.

    With --log it is held against data: signs, units, sums, limits, order of things.
    Exit code 3 when something in it is wrong, 8 when the logs contradict it. What is only unusual is told.
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.health.judgeable import lacking
    from herdbook.pipeline.health.profile_limits import examine_whole
    from herdbook.pipeline.health.rules import all_rules
    from herdbook.pipeline.vehicle.draft.compare import named_otherwise
    from herdbook.pipeline.vehicle.packs import PACK_ROLES
    from herdbook.pipeline.vehicle.problems import ProfileProblems, in_order
    from herdbook.pipeline.vehicle.profile_tables import not_given
    from herdbook.pipeline.vehicle.roles import ROLES

    found, said = examine_whole(file)
    if found is None or said.errors:
        raise ProfileProblems(in_order(said.errors), file)
    if log:
        from herdbook.pipeline.commands.terminal.contact import hold_and_show

        raise typer.Exit(hold_and_show(found, log, html, as_json=json))
    have = {m.role for m in found.roles}
    missing = {r.id: lacking(r, found) for r in all_rules().values()}
    roles = [
        {"role": name, "unit": role.unit, "signals": signals_of(found, name), "meaning": role.meaning}
        for name, role in ROLES.items()
    ]
    named = [c.found for c in named_otherwise(found) if c.bad]
    doubts = [*map(str, found.doubts), *named, *(f"read leniently: {note}" for note in found.network().notes)]
    packs = {
        p.number: [(name, r.unit, signals_of(p, name), r.meaning) for name, r in ROLES.items() if name in PACK_ROLES]
        for p in found.others
    }
    absent = not_given({"vehicle": found.vehicle, "pack": found.pack, "drive": found.drive})
    if json:
        said_of = {"profile": found.name, "hash": found.hash, "roles": roles, "missing": missing}
        mapped_of = {number: {row[0]: row[2] for row in rows if row[2]} for number, rows in packs.items()}
        more = {"other_packs": mapped_of} if packs else {}
        screen.as_json(said_of | {"doubts": doubts, "not_given": [key for key, _, _ in absent]} | more)
        return
    for doubt in doubts:
        screen.say(f"Look at this: {doubt}")
    rows = [(r["role"], r["unit"], r["signals"] or "– not mapped", r["meaning"]) for r in roles]
    screen.table(f"{found.name}: {len(have)} of {len(ROLES)} roles", ("role", "unit", "signals", "meaning"), rows)
    for number, signals in packs.items():
        mapped = sum(bool(row[2]) for row in signals)
        shown = [(name, unit, of or "– not mapped", meaning) for name, unit, of, meaning in signals]
        screen.table(f"pack {number}: {mapped} of {len(shown)} roles", ("role", "unit", "signals", "meaning"), shown)
    if absent:
        note = "Where nothing stands in, rules fall back on limits of their own, or are not assessed."
        screen.table(
            f"{screen.plural(len(absent), 'figure')} not given", ("figure", "stands in", "read by"), absent, note
        )
    lost = [(rule, all_rules()[rule].subsystem, ", ".join(lacks)) for rule, lacks in missing.items() if lacks]
    screen.say()
    if lost:
        title = f"{len(lost)} of {len(missing)} rules cannot be judged"
        screen.table(title, ("rule", "subsystem", "what is missing"), lost)
    else:
        screen.say(f"All {len(missing)} rules have the roles and figures they need.")


def draft(
    dbc: Annotated[list[Path], typer.Argument(help="The DBC files of one vehicle.", show_default=False)],
    out: Annotated[Path | None, typer.Option(help="Write the profile here; else it is printed.")] = None,
    name: Annotated[str, typer.Option(help="What the profile is called.")] = "",
) -> None:
    """Write a profile to start from: roles guessed by name, unit, range, words and comment, with how sure each is.

    What is less than 80 % sure is left commented out; what could not be guessed is a list to do at the end. An existing
    file is never overwritten.
    """
    import os

    from herdbook.decoders import Network, NetworkError
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import InputError
    from herdbook.pipeline.store.whole_file import whole
    from herdbook.pipeline.vehicle.draft.write import UNUSED
    from herdbook.pipeline.vehicle.draft.write import draft as written

    try:
        network = Network.load(dbc, lenient=True)
    except (NetworkError, OSError) as error:
        do = "Name DBC files that can be read; each message of a vehicle stands in one of them"
        raise InputError(str(error), ", ".join(map(str, dbc)), do) from None
    beside = out.absolute().parent if out else Path.cwd()
    places = [Path(os.path.relpath(path.absolute(), beside)).as_posix() for path in dbc]
    text = written(network.messages, places, name or (out.stem if out else dbc[0].stem), bool(network.notes))
    if out is None:
        print(screen.safe(text), end="")
        return
    if out.exists():
        raise InputError("this file is there already", out, "Name another file, or move it away")
    out.parent.mkdir(parents=True, exist_ok=True)
    with whole(out) as half:
        half.write_text(text, "utf-8")
    lines = text.splitlines()
    roles = lines[lines.index("[roles]") + 1 : lines.index(UNUSED if UNUSED in lines else "# To do")]
    mapped = sum(not line.startswith("#") and " = " in line for line in roles)
    more = sum(line.startswith("# ") for line in roles)
    screen.say(
        f"Written: {screen.place(out)}: {screen.plural(mapped, 'role')}, {more} more to look at. "
        f"Next: herdbook profile check {screen.place(out)} --log LOG"
    )


def signals_of(found: Profile, role: str) -> str:
    """The signals behind a role, shortened to first and last when there are many."""
    names = [m.words for m in found.roles if m.role == role]
    return ", ".join(names) if len(names) <= 2 else f"{names[0]} … {names[-1]} ({len(names)})"
