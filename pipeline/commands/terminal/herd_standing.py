"""herdbook herd standing: where one vehicle stands among its true peers, and against its own past."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

if TYPE_CHECKING:
    from herdbook.pipeline.herd.standing import FigureStanding


def standing(
    vehicle: Annotated[str, typer.Argument(help="Vehicle as `herdbook fleet` lists it.", show_default=False)],
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Say where a vehicle stands among peers of its type, with age, use and warmth taken off, and against its past.

    JSON: vehicle, figures (figure, metric, unit, value, sessions, taken_off; among: n, lower, higher, percent, p, low,
    high: 90 % range for such a vehicle, or null with why; past: stretches, lower, higher, or null).
    """
    from dataclasses import asdict

    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.herd.standing import LAST
    from herdbook.pipeline.herd.standing import standing as asked
    from herdbook.pipeline.reports.words import numbers
    from herdbook.pipeline.store.store import Store

    with Store.open(store).read() as con:
        found = asked(con, vehicle)
    if json:
        figures = [
            {"figure": s.figure.name, "metric": s.figure.metric, "unit": s.figure.unit}
            | {key: getattr(s, key) for key in ("value", "sessions", "taken_off", "why")}
            | {"among": asdict(s.among) | {"percent": s.among.percent} if s.among else None}
            | {"past": asdict(s.past) if s.past else None}
            for s in found
        ]
        screen.as_json({"vehicle": vehicle, "figures": figures})
        return
    if not found:
        screen.say(f"{vehicle}: none of the figures that are compared is on record.")
        return
    rows = [(s.figure.words, numbers.amount(s.value, s.figure.unit), s.words, usual(s), s.past_words) for s in found]
    columns = ("figure", "now", "among peers", "usual for such a vehicle (90 %)", "against its own past")
    taken = numbers.listing(list(dict.fromkeys(t for s in found for t in s.taken_off)))
    note = (
        f"Now: the median of the newest {LAST} sessions. Peers: of its type"
        f"{f', with {taken} taken off' if taken else ''}. A rank is a hint where to look and no verdict."
    )
    screen.table(f"Where {vehicle} stands", columns, rows, note=note)


def usual(s: FigureStanding) -> str:
    from math import isfinite

    from herdbook.pipeline.reports.words import numbers

    if s.among is None:
        return "–"
    if not isfinite(s.among.low):
        return f"open with {s.among.n} peers"
    unit = numbers.unit(s.figure.unit)
    return f"{numbers.number(s.among.low)} to {numbers.number(s.among.high)} {unit}".rstrip()
