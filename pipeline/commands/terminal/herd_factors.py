"""herdbook herd factors: is it the batch, the firmware, the site, the season, figure by figure?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

if TYPE_CHECKING:
    from herdbook.pipeline.herd.factors import FactorDifference

LISTED = 25


def factors(
    figure: Annotated[str, typer.Argument(help="Only this figure, like capacity or drag; else all.")] = "",
    everything: Annotated[bool, typer.Option("--all", help=f"List every comparison, not the first {LISTED}.")] = False,
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Say whether figures differ by batch, firmware, site or season, with the other factors, age, use and warmth off.

    JSON: differences (figure, metric, unit, profile, factor, level, vehicles, others; crude, within: value, low, high,
    p, least: what such a sample would have shown, within null where it cannot be told; one_with; adjusted: p among all
    comparisons; words), left_out (what was not compared, in sentences).
    """
    from dataclasses import asdict

    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.health.herd_figures import FIGURES
    from herdbook.pipeline.health.herd_figures import figure as named
    from herdbook.pipeline.herd.factors import factor_differences
    from herdbook.pipeline.store.store import Store

    chosen = (named(figure),) if figure else FIGURES
    with Store.open(store).read() as con:
        found, left_out = factor_differences(con, chosen)
    if json:
        rows = [
            asdict(f) | {"figure": f.figure.name, "metric": f.figure.metric, "unit": f.figure.unit, "words": f.words}
            for f in found
        ]
        screen.as_json({"differences": rows, "left_out": left_out})
        return
    if found:
        shown = found if everything else found[:LISTED]
        columns = ("figure", "factor", "vehicles", "difference (95 %)", "so it")
        note = (
            "Each against all others of its type, with the other factors, age, kilometres a day and warmth taken off; "
            "seasons within each vehicle. False discovery rate of all comparisons 5 %."
        )
        title = f"{screen.plural(len(found), 'comparison')} of figures"
        screen.table(title, columns, [_row(f) for f in shown], note=note)
        if len(shown) < len(found):
            screen.say(f"{len(found) - len(shown)} more: --all.")
    else:
        screen.say("Nothing can be compared: no two groups of five vehicles and more of one type have a figure.")
    for one in left_out:
        screen.say(f"{one}.")


def _row(f: FactorDifference) -> tuple[object, ...]:
    from herdbook.pipeline.commands.terminal.herd_words import span
    from herdbook.pipeline.reports.words import numbers

    unit = numbers.unit(f.figure.unit)
    told = span(f.within.value, f.within.low, f.within.high) if f.within else "–"
    words = f.words
    if f.within and not f.differs and f.within.least > 0:
        words += f"; {f.within.least:.2g} {unit}".rstrip() + " would have shown"
    return (
        f.figure.name,
        f"{f.factor} {f.level}",
        f"{f.vehicles}" if f.factor == "season" else f"{f.vehicles} of {f.others + f.vehicles}",
        f"{told} {unit}",
        words,
    )
