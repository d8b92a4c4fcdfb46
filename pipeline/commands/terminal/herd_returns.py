"""herdbook herd returns: how often vehicles come back, how many to expect, and what to hold for them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

if TYPE_CHECKING:
    from herdbook.pipeline.herd.returns import GroupReturns, Returns

Clock = Annotated[str, typer.Option(help="Age in days, km, cycles, or hours (that age as much at 25 °C).")]


def returns(
    part: Annotated[str, typer.Argument(help="Only repairs of this kind of part; else all repairs and returns.")] = "",
    by: Annotated[str, typer.Option(help="Apart by batch, type, site, firmware, supplier or part.")] = "",
    clock: Clock = "days",
    days: Annotated[int, typer.Option(min=1, max=3650, help="How far ahead to count.")] = 90,
    level: Annotated[
        float, typer.Option(min=0.5, max=0.9999, help="With what certainty spares must be enough.")
    ] = 0.95,
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Say how often vehicles come back by age, how many repairs to expect, and how many spares to hold.

    From the service book: a repair, a return, or a part taken out and not said to be sound; one a vehicle and day.
    JSON: part, by, clock, days, level, since, until, left_out, outside, groups (group, vehicles, watched, events, back;
    mean: times, watched, mean, se, low, high: mean cumulative number a vehicle, robust; first: times, at_risk,
    survival, low, high, hazard, hazard_se: up to the first; plot: times, failed, height, low, high: on Weibull paper;
    weibull: scale, shape, likelihood ends; ahead: expected, low, high, shape, between, steady; spares). Times are UTC.
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import NotKnownError
    from herdbook.pipeline.herd import returns as asked
    from herdbook.pipeline.herd.clocks import WORDS
    from herdbook.pipeline.herd.horizon import record_end
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.times import utc_now

    opened = Store.open(store)
    with opened.read() as con:
        until = record_end(con, utc_now())
        found = asked.returns(con, part.lower(), by=by, clock=clock, days=days, level=level, until=until)
    if found is None or not found.groups:
        what = f"no repair of a {part!r}" if part else "no repair and no return"
        do = "Enter repairs: herdbook book add VEHICLE repair --part ... --said ..., or herdbook book import FILE"
        raise NotKnownError(f"the service book knows {what} of a vehicle with a record", do=do)
    if json:
        screen.as_json(_as_dict(found))
        return
    columns = (
        found.by or "herd",
        "vehicles",
        f"{found.clock} watched",
        "repairs",
        "vehicles back",
        "repairs a vehicle (95 %)",
        f"next {days} days (95 %)",
        f"spares for {100 * level:g} %",
    )
    about = f"repairs of: {found.part}" if found.part else "repairs and returns"
    note = (
        f"Age in {WORDS[found.clock]}; watched from {found.since:%Y-%m-%d} on, where the workshop's book begins, to "
        f"{found.until:%Y-%m-%d}, the newest record. Repairs a vehicle: the mean by the highest age with a repair."
    )
    screen.table(about[:1].upper() + about[1:], columns, [_row(g) for g in found.groups], note=note)
    if found.left_out:
        screen.say(f"Left out, without a day of watch or a record on this clock: {_vehicles(found.left_out)}.")
    if found.outside:
        screen.say(f"Not counted, outside every watch: {screen.plural(found.outside, 'repair')}.")
    if any(g.ahead and g.ahead.steady for g in found.groups):
        screen.say("Where under five repairs say nothing of age, the rate so far is carried on.")
    screen.say("The forecast takes use, care and repairs as they were; a campaign or a hard winter is not in it.")


def _vehicles(count: int) -> str:
    return f"{count:,} vehicle{'s' * (count != 1)}"


def _row(g: GroupReturns) -> tuple[object, ...]:
    mean = "none yet"
    if g.events:
        mean = f"{g.curve.mean[-1]:.2f} ({g.curve.low[-1]:.2f} to {g.curve.high[-1]:.2f})"
    ahead = f"{g.ahead.mean:.1f} ({g.ahead.low} to {g.ahead.high})" if g.ahead else "none is watched on"
    return (
        g.group,
        g.vehicles,
        round(g.watched),
        g.events,
        g.back,
        mean,
        ahead,
        g.spares if g.ahead else "–",
    )


def _as_dict(found: Returns) -> dict[str, Any]:
    from dataclasses import asdict

    from herdbook.pipeline.science.probability_plot import probability_plot

    groups = []
    for g in found.groups:
        ahead, plot = g.ahead, probability_plot(g.first)
        groups.append(
            {
                **{key: getattr(g, key) for key in ("group", "vehicles", "watched", "events", "back", "spares")},
                "mean": {
                    key: getattr(g.curve, key).tolist() for key in ("times", "watched", "mean", "se", "low", "high")
                },
                "first": {
                    key: getattr(g.first, key).tolist()
                    for key in ("times", "at_risk", "survival", "low", "high", "hazard", "hazard_se")
                },
                "plot": {key: getattr(plot, key).tolist() for key in ("times", "failed", "height", "low", "high")},
                "weibull": asdict(g.fit) if g.fit else None,
                "ahead": {
                    "expected": ahead.mean,
                    **{key: getattr(ahead, key) for key in ("low", "high", "shape", "between", "steady")},
                }
                if ahead
                else None,
            }
        )
    names = ("part", "by", "clock", "days", "level", "since", "until", "left_out", "outside")
    return {name: getattr(found, name) for name in names} | {"groups": groups}
