"""herdbook compare: a vehicle before and after a repair, or two vehicles: what differs, and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder, Vehicle

if TYPE_CHECKING:
    from herdbook.pipeline.herd.compare import Compared, Comparison
    from herdbook.pipeline.herd.repair_worked import Worked
    from herdbook.pipeline.herd.two_sides import TwoSides

ORDER = 46


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook compare ZB-0104 --at 2026-03-11, or: herdbook compare ZB-0104 ZB-0105")(
        compare
    )


def compare(
    vehicle: Vehicle,
    other: Annotated[str, typer.Argument(help="Another vehicle; or say --at.", show_default=False)] = "",
    at: Annotated[
        str, typer.Option(help="A day, a minute (2026-03-04 14:30), or the number of an entry of its service book.")
    ] = "",
    out: Annotated[Path | None, typer.Option(help="Write a page with the figures drawn: a file, or a folder.")] = None,
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Compare a vehicle's figures before and after a day or a repair, or those of two vehicles.

    Of an entry that names a finding also: did it work, how certain is that, and what ride would make it certain.

    JSON: title, said (sentences), sides (title, vehicle, from_t, to_t, sessions by kind), figures (kind, name, item,
    unit, n, first, second, rise, low, high: 95 %, p, adjusted, differs, asked, more), too_few, only, repairs (rule,
    item, could, showed, could_after, chance, more, before, after, refused), page. Times are UTC.
    """
    from herdbook.pipeline.book import book
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.herd.two_sides import before_and_after, vehicles_apart
    from herdbook.pipeline.reports.herd.compare_page import write_compare
    from herdbook.pipeline.store.store import Store

    if bool(other) == bool(at):
        do = f"Say: herdbook compare {vehicle} --at DATE, or: herdbook compare {vehicle} OTHER"
        raise SettingsError("one other side is needed: a vehicle, or --at", do=do)
    opened = Store.open(store)
    two = vehicles_apart(opened, vehicle, other) if other else before_and_after(opened, vehicle, at)
    page = str(write_compare(two, out, book.zone_for(opened, vehicle))) if out is not None else ""
    if json:
        screen.as_json(as_dict(two) | {"page": page})
    else:
        show(two)
        if page:
            screen.say(f"Page: {screen.place(Path(page))}")


def show(two: TwoSides) -> None:
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.herd import compare_words as words

    screen.say(words.title(two), style="bold")
    for line in words.sentences(two):
        screen.say(line)
    screen.say()
    screen.table("What the two sides had to do", words.USE_HEAD, words.use_rows(two.found))
    head = words.figure_head(two.found)
    asked, rest = words.asked_about(two.found), words.others(two.found)
    if asked:
        screen.say()
        rows = [(*words.figure_row(f), words.more_words(f)) for f in asked[: words.MOST_ASKED]]
        note = words.not_shown(two.found)
        screen.table("Figures that the repair is about", (*head, "to be sure"), rows, note=note)
    if rest:
        screen.say()
        title = "Other figures that differ" if rest[0].differs else "The figures nearest to a difference"
        screen.table(title, head, [words.figure_row(f) for f in rest])
    if two.found.figures:
        screen.say(words.HOW)


def as_dict(two: TwoSides) -> dict[str, Any]:
    from herdbook.pipeline.reports.herd import compare_words as words

    return {
        "title": words.title(two),
        "said": list(words.sentences(two)),
        "sides": _sides(two.found),
        "figures": [_figure(f) for f in two.found.figures],
        "too_few": two.found.too_few,
        "only": [{"kind": kind, "name": name, "side": side} for kind, name, side in two.found.only],
        "repairs": [_repair(w) for w in two.repairs],
    }


def _sides(found: Comparison) -> list[dict[str, Any]]:
    return [
        {"title": side.title, "vehicle": side.vehicle, "from_t": side.from_t, "to_t": side.to_t, "sessions": list(use)}
        for side, use in zip(found.sides, found.uses, strict=True)
    ]


def _figure(f: Compared) -> dict[str, Any]:
    d = f.difference
    assert d is not None  # the others are only counted
    return {
        **{name: getattr(f, name) for name in ("kind", "name", "item", "unit", "asked", "adjusted", "differs", "more")},
        "n": [f.first.values.size, f.second.values.size],
        **{name: getattr(d, name) for name in ("first", "second", "rise", "low", "high", "p")},
    }


def _repair(w: Worked) -> dict[str, Any]:
    told = ("item", "kinds", "could", "showed", "could_after", "refused", "chance", "more", "habit")
    return {
        "rule": w.rule.id,
        **{name: getattr(w, name) for name in told},
        "before": w.before.statement if w.before else w.why_not_before,
        "found_before": w.before is not None,
        "after": w.after.statement if w.after else "",
    }
