"""herdbook profile: check a vehicle profile against its DBC files and, where there are any, against logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import Json

if TYPE_CHECKING:
    from herdbook.pipeline.vehicle.profile import Profile

ORDER = 130


def register(app: typer.Typer) -> None:
    group = typer.Typer(
        help="Check a vehicle profile, also against logs.",
        epilog="Example: herdbook profile check dbc_demo/zirbel.toml --log rides",
        no_args_is_help=True,
    )
    group.command(epilog="Example: herdbook profile check dbc_demo/zirbel.toml --log rides")(check)
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
    from herdbook.pipeline.health.judgeable import figures_missing, roles_missing
    from herdbook.pipeline.health.profile_limits import examine_whole
    from herdbook.pipeline.health.rules import all_rules
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
    missing = {r.id: [*roles_missing(r, have), *figures_missing(r, found)] for r in all_rules().values()}
    roles = [
        {"role": name, "unit": role.unit, "signals": signals_of(found, name), "meaning": role.meaning}
        for name, role in ROLES.items()
    ]
    doubts = [*map(str, found.doubts), *(f"read leniently: {note}" for note in found.network().notes)]
    absent = not_given({"vehicle": found.vehicle, "pack": found.pack, "drive": found.drive})
    if json:
        said_of = {"profile": found.name, "hash": found.hash, "roles": roles, "missing": missing}
        screen.as_json(said_of | {"doubts": doubts, "not_given": [key for key, _, _ in absent]})
        return
    for doubt in doubts:
        screen.say(f"Look at this: {doubt}")
    rows = [(r["role"], r["unit"], r["signals"] or "– not mapped", r["meaning"]) for r in roles]
    screen.table(f"{found.name}: {len(have)} of {len(ROLES)} roles", ("role", "unit", "signals", "meaning"), rows)
    if absent:
        note = "Where nothing stands in, what needs the figure is not assessed."
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


def signals_of(found: Profile, role: str) -> str:
    """The signals behind a role, shortened to first and last when there are many."""
    names = [f"{m.message}.{m.signal}" for m in found.roles if m.role == role]
    return ", ".join(names) if len(names) <= 2 else f"{names[0]} … {names[-1]} ({len(names)})"
