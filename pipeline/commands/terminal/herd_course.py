"""herdbook herd course: where capacity, resistance, leak or drag of each vehicle is going, and its limit's date."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

if TYPE_CHECKING:
    from herdbook.pipeline.herd.courses import VehicleCourse
    from herdbook.pipeline.store.store import Store

LISTED = 20


def course(
    figure: Annotated[str, typer.Argument(help="capacity, resistance, leak or drag.")] = "capacity",
    vehicle: Annotated[str, typer.Option(help="Only this vehicle, among its herd.")] = "",
    limit: Annotated[float | None, typer.Option(help="A limit of your own, for that of the rule.")] = None,
    days: Annotated[int, typer.Option(min=1, max=365, help="How far ahead the forecast is.")] = 90,
    everything: Annotated[bool, typer.Option("--all", help=f"List every vehicle, not the first {LISTED}.")] = False,
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Say where a figure of each vehicle is going, with 95 % intervals, and when it reaches its limit.

    JSON: figure, metric, unit, ahead, herd (series behind what is common, by profile),
    bends (where a line is not how they age, in words), courses (vehicle, profile, item,
    n, first, last; now, soon: line, low, high, soon after `ahead` days; reading: low, high of one reading then; limit,
    earliest, likely, latest, passed, horizon: days within which a date is said; words). Times are UTC.
    """
    from dataclasses import asdict

    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import NotKnownError
    from herdbook.pipeline.health.herd_figures import figure as named
    from herdbook.pipeline.herd.courses import courses
    from herdbook.pipeline.reports.words import numbers
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.times import utc_now

    asked, opened = named(figure, ageing=True), Store.open(store)
    with opened.read() as con:
        limits = own_limits(opened)
        found = courses(con, asked, until=utc_now(), vehicle=vehicle, limit=limit, limits=limits, ahead=days)
    if not found.rows:
        of = f" of {vehicle!r}" if vehicle else ""
        do = "herdbook help herd says what each figure needs; herdbook fleet lists the vehicles"
        raise NotKnownError(f"no {asked.words}{of} is on record", do=do)
    if json:
        rows = [asdict(c) | {"words": c.words} for c in found.rows]
        about = {"figure": asked.name, "metric": asked.metric, "unit": asked.unit, "ahead": days, "herd": found.herd}
        about["bends"] = found.bends
        screen.as_json(about | {"courses": rows})
        return
    shown = found.rows if everything else found.rows[:LISTED]
    items = any(c.item for c in shown)
    unit = numbers.unit(asked.unit)
    bar = f"limit {found.rows[0].limit:g} {unit}".rstrip() if found.rows[0].limit is not None else ""
    columns = (
        "vehicle",
        *(["group"] if items else []),
        "values",
        f"now{f', {unit}' if unit else ''} (95 %)",
        f"in {days} days (95 %)",
        bar or "limit",
    )
    title = f"{asked.words[:1].upper()}{asked.words[1:]}"
    behind = ", ".join(f"{p}: {n or 'each alone'}" for p, n in sorted(found.herd.items()))
    note = (
        f"Courses drawn to the herd of their type (series behind it: {behind}). They may bend as the herd's do; a knee "
        "that no vehicle has shown is in none."
    )
    screen.table(title, columns, [_row(c, items=items) for c in shown], note=note)
    for profile, said in sorted(found.bends.items()):
        screen.say(f"{profile}: {said}.")
    if len(shown) < len(found.rows):
        screen.say(f"{len(found.rows) - len(shown)} more: --all.")


def own_limits(opened: Store) -> dict[str, dict[str, float]]:
    """Limits that profiles set; none where the profiles cannot be read, which a scan would have said."""
    from herdbook.pipeline.errors import HerdbookError

    try:
        return {p.name: dict(p.limits) for p in opened.profiles()}
    except HerdbookError:
        return {}


def _row(c: VehicleCourse, *, items: bool) -> tuple[Any, ...]:
    return (
        c.vehicle,
        *([c.item] if items else []),
        c.n,
        _span(c.now),
        _span(c.soon),
        c.words,
    )


def _span(values: tuple[float, float, float] | None) -> str:
    from herdbook.pipeline.commands.terminal.herd_words import span

    return "–" if values is None else span(*values)
