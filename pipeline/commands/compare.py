"""herdbook compare: a vehicle before and after a repair, or two vehicles: what differs, and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder, Vehicle

if TYPE_CHECKING:
    from herdbook.pipeline.herd.compare import Compared, Comparison, Nearest
    from herdbook.pipeline.herd.repair_worked import Worked
    from herdbook.pipeline.herd.two_sides import TwoSides
    from herdbook.pipeline.reports.herd.compare_words import Shown

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
    about: Annotated[
        str, typer.Option(help="A rule or a figure that you ask about beforehand: fewer sessions are enough then.")
    ] = "",
    out: Annotated[Path | None, typer.Option(help="Write a page with the figures drawn: a file, or a folder.")] = None,
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Compare a vehicle's figures before and after a day or a repair, or those of two vehicles.

    Of an entry that names a finding also: did it work, how certain is that, and what ride would make it certain.

    JSON: title, said (sentences), sides (title, vehicle, from_t, to_t, sessions by kind), figures (kind, name, item,
    unit, n, first, second, rise, low, high: 95 %, p, adjusted, differs, asked, more), too_few, only, repairs (rule,
    item, could, showed, could_after, chance, more, before, after, refused), nearest (kind, name, item, more, side) to a
    difference, page. Times are UTC.
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
    two = vehicles_apart(opened, vehicle, other, about) if other else before_and_after(opened, vehicle, at, about)
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
    for line in words.lead(two):
        screen.say(line)
    asked, rest = words.shown(words.asked_about(two.found)), words.others(two.found)
    if asked:
        _figures(words.asked_title(two), asked)
    if rest:
        _figures(words.rest_title(two.found), words.shown(rest))
    screen.say()
    screen.table("Sessions on each side", words.USE_HEAD, words.use_rows(two.found))
    after = [*words.beside(two), *([words.HOW] if two.found.figures else [])]
    if after:
        screen.say()
    for line in after:
        screen.say(line)


def _figures(title: str, shown: list[Shown]) -> None:
    """The first few, each in lines of its own, so that they read the same in any width; of the others the names."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.herd import compare_words as words

    screen.say()
    screen.say(title, style="bold")
    for one in shown[: words.FIRST]:
        screen.point(one.title)
        for line in one.lines:
            screen.point(line, mark="    ")
    if left := shown[words.FIRST :]:
        screen.say(f"And {screen.plural(len(left), 'figure')} more (--out PAGE.html or --json):")
        for one in left:
            screen.point(one.title)


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
        "nearest": _nearest(two.nearest) if two.nearest else None,
    }


def _nearest(near: Nearest) -> dict[str, Any]:
    f = near.figure
    return {"kind": f.kind, "name": f.name, "item": f.item, "more": near.more, "side": near.side.title}


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
