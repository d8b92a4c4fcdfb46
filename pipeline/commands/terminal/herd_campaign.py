"""herdbook herd campaign: did a firmware or a repair campaign help, against vehicles that did not get it?"""

from __future__ import annotations

from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.herd_campaign_counts import show_counts
from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

USUAL = "use"


def campaign(
    what: Annotated[str, typer.Argument(help="Words of its entries in the service book, or a firmware's version.")],
    figure: Annotated[str, typer.Option(help="Which figure it should have moved, like use, capacity, heat.")] = USUAL,
    count: Annotated[
        str, typer.Option(help="Instead: what it should have made rarer: repairs, complaints, findings, or one rule.")
    ] = "",
    part: Annotated[str, typer.Option(help="With --count repairs: only of this kind of part.")] = "",
    days: Annotated[int, typer.Option(min=7, max=730, help="How long before and after is looked at.")] = 60,
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Say by how much a campaign moved a figure, or made a thing rarer: before and after, beside vehicles without it.

    With --count the effect is a ratio of rates. JSON then: what, known_by, counted, days, got, first, last, until,
    others, effect (treated, controls, before, after, control_before, control_after: events; change, control_change:
    ratios of rates; ratio, low, high: null where open; p), placebos, apart, words. Else
    JSON: what, known_by, figure, metric, unit, days, got, first, last, until, others, effect (treated, controls,
    change, control_change, effect, low, high, p) or null, placebos (days_before and the same), apart, words. Times are
    UTC.
    """
    from dataclasses import asdict

    from herdbook.pipeline.errors import SettingsError

    if count:
        if figure != USUAL:
            raise SettingsError("--count and --figure", do="Leave one of them out: one study asks for one thing")
        show_counts(what, count.lower(), part.lower(), days, store, json=json)
        return
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.commands.terminal.herd_words import days_between, span
    from herdbook.pipeline.health.herd_figures import figure as named
    from herdbook.pipeline.herd.campaign import campaign_effect
    from herdbook.pipeline.herd.horizon import record_end
    from herdbook.pipeline.reports.words import numbers
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.times import utc_now

    if part:
        raise SettingsError("a figure is not told apart by part", do="Say --count repairs --part ..., or leave --part")
    asked = named(figure)
    with Store.open(store).read() as con:
        found = campaign_effect(con, what, asked, days=float(days), until=record_end(con, utc_now()))
    if json:
        plain = {
            key: getattr(found, key) for key in ("what", "known_by", "days", "got", "first", "last", "until", "others")
        }
        plain |= {"figure": asked.name, "metric": asked.metric, "unit": asked.unit}
        plain |= {"effect": asdict(found.effect) if found.effect else None, "apart": found.apart, "words": found.words}
        screen.as_json(plain | {"placebos": [asdict(p) for p in found.placebos]})
        return
    unit = f", {numbers.unit(asked.unit)}" if numbers.unit(asked.unit) else ""
    rows = [
        (name, e.treated, e.controls, f"{e.change:+.3g}", f"{e.control_change:+.3g}", span(e.effect, e.low, e.high))
        for name, e in [("the campaign", found.effect), *((_name(p.days_before), p.effect) for p in found.placebos)]
        if e is not None
    ]
    screen.say(
        f"{found.what}, by {found.known_by}: {screen.plural(found.got, 'vehicle')}, "
        f"{days_between(found.first, found.last)}; "
        f"{found.others} of the type without it. Watched to {found.until:%Y-%m-%d}, the newest record."
    )
    if rows:
        columns = ("date", "with", "without", "change with", "change without", f"effect{unit} (95 %)")
        note = f"Means of {days} days after less {days} before. Placebo: the same at dates at which nothing was done."
        screen.table(f"{asked.words[:1].upper()}{asked.words[1:]}", columns, rows, note=note)
    screen.say(f"{found.words[:1].upper()}{found.words[1:]}.")
    if found.got and not found.apart:
        screen.say("Who got it was hardly drawn by lot: something else that came to them alone would look the same.")


def _name(days: float) -> str:
    return f"placebo, {days:.0f} days before"
