"""herdbook mute: findings not to be told about again until a day; without arguments, what is muted."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

if TYPE_CHECKING:
    from herdbook.pipeline.night.mutes import Mute

EXAMPLE = 'Example: herdbook mute ZB-0102 out_of_balance --until 2026-04-30 --by "night desk" --why "part ordered"'
COLUMNS = ("vehicle", "finding", "severity", "until (UTC)", "by", "why")

ORDER = 40


def register(app: typer.Typer) -> None:
    app.command(epilog=EXAMPLE)(mute)


def mute(
    vehicle: Annotated[str, typer.Argument(help="Vehicle; all that is muted is listed when left out.")] = "",
    rule: Annotated[str, typer.Argument(help="Rule of the finding, as `herdbook fleet` lists it.")] = "",
    until: Annotated[str, typer.Option(help="Last day of silence, like 2026-04-30; 92 days at most.")] = "",
    by: Annotated[str, typer.Option(help="Who answers for it.")] = "",
    why: Annotated[str, typer.Option(help="The reason, for whoever reads it next.")] = "",
    item: Annotated[str | None, typer.Option(help='Only this item, like "cell 7"; else each that stands.')] = None,
    lift: Annotated[bool, typer.Option("--lift", help="End the mute now; needs --by and --why too.")] = False,
    everything: Annotated[bool, typer.Option("--all", help="List every mute ever made, also those over.")] = False,
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Keep a finding out of the change list, the messages and the exit code until a day; list what is muted.

    It stays on every page, marked with who, why and until when. A stop-use finding cannot be muted; a finding that
    gets graver is told all the same; when the day is over it is news again. JSON: a list of objects with mute,
    vehicle, rule, item, severity, by, why, made, until, lifted, lifted_by, lifted_why (times in UTC).
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.night import mutes
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    if not vehicle:
        found, title = mutes.listed(opened, everything), "ever muted" if everything else "muted"
    elif not rule:
        raise SettingsError(f"which finding of {vehicle}?", do="Name its rule: herdbook mute VEHICLE RULE")
    elif lift:
        found, title = mutes.lift(opened, vehicle, rule, by=by, why=why, item=item), "heard again from the next scan on"
    else:
        day = _day(until)
        found, title = mutes.mute(opened, vehicle, rule, until=day, by=by, why=why, item=item), "muted now"
    if json:
        screen.as_json([mutes.as_row(m) for m in found])
    elif found:
        screen.table(
            f"{screen.plural(len(found), 'finding')} {title}",
            (*COLUMNS, *(["ended"] if everything else [])),
            [_row(m, everything) for m in found],
            note="Ends one early: herdbook mute VEHICLE RULE --lift",
        )
    else:
        screen.say("Nothing is muted.")


def _day(text: str) -> date:
    from herdbook.pipeline.errors import SettingsError

    try:
        return date.fromisoformat(text)
    except ValueError:
        raise SettingsError(f"--until {text!r} is no day", do="Write one like 2026-04-30") from None


def _row(m: Mute, with_end: bool) -> list[str]:
    about = " ".join(p for p in (m.rule, m.item) if p)
    row = [m.vehicle, about, m.severity, f"{m.until:%Y-%m-%d %H:%M}", m.by, m.why]
    lifted = f"lifted {m.lifted:%Y-%m-%d} by {m.lifted_by}: {m.lifted_why}" if m.lifted else "on its day"
    return [*row, lifted] if with_end else row
