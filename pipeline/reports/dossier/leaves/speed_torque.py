"""Speed against torque: where the drive worked in the newest ride, motor by motor, and where it never did."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.drawing.traces import item_words, load
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note
from herdbook.pipeline.reports.page.figure import LINES, PageFigure, Spec, axis, layout, markers
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import from_micros, micros

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 55  # place in the dossier
LONGEST_S = 1800.0  # of the ride's end: the drive as it is now
MOST_DOTS = 600  # a motor
HOLD_S = 0.3
SYMBOLS = ("circle-open", "x", "diamond", "square")
HEIGHT = 360


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    rides = [s for s in facts.sessions if s["kind"] == "ride"]
    lead = (
        "Current that makes torque, over speed: driving above zero, braking below. One motor apart from its twin, or a "
        "corner that is never reached, may show here before a rule names it."
    )
    return Leaf("speed-torque", "Speed and torque", lead, _drawn(store, facts, rides[-1]) if rides else [_none()])


def _none() -> Note:
    return Note("No ride with speed and motor current is on record.", "absent")


def _drawn(store: Store, facts: Facts, ride: Row) -> list[Block]:
    end = micros(ride["end_t"])
    start = max(micros(ride["start_t"]), end - int(LONGEST_S * 1e6))
    try:
        signals = load(store, facts.vehicle, start, end + 1, ("vehicle_speed", "motor_current"), pack=facts.pack)
    except HerdbookError as problem:
        return [Note(f"The newest ride could not be read. {problem}", "absent")]
    speed = signals.series("vehicle_speed")
    data: list[Spec] = []
    body: list[tuple[str, ...]] = []
    for order, side in enumerate(signals.items("motor_current")):
        current = signals.at(speed.t, "motor_current", side, HOLD_S)
        ok = np.flatnonzero(np.isfinite(current) & np.isfinite(speed.v) & (np.abs(speed.v) > 0.3))
        if ok.size < 2:
            continue
        kept = ok[np.linspace(0, ok.size - 1, min(MOST_DOTS, ok.size)).astype(int)]
        name = f"motor {item_words(side)}".strip()
        x, y = (3.6 * speed.v[kept]).round(1).tolist(), current[kept].round(1).tolist()
        dots = markers(name, x, y, LINES[order % len(LINES)], SYMBOLS[order % len(SYMBOLS)])
        dots["marker"] |= {"size": 5, "opacity": 0.6}
        data.append(dots | {"hovertemplate": "%{x:.1f} km/h, %{y:.1f} A"})
        drive, brake, top = float(current[ok].max()), float(current[ok].min()), 3.6 * float(np.abs(speed.v[ok]).max())
        body.append((name, str(ok.size), *(numbers.number(v) for v in (drive, brake, top))))
    if not data:
        return [_none()]
    axes = {"xaxis": axis("Speed [km/h]"), "yaxis": axis("Torque current [A]", zeroline=True, zerolinecolor="@ink")}
    span = numbers.span(from_micros(start), from_micros(end), facts.zone)
    n = sum(int(row[1]) for row in body)
    figure = PageFigure(
        "speed-torque-map",
        "Torque current against speed in the newest ride [A]",
        f"Scatter of torque current against speed, {numbers.listing([row[0] for row in body])}, {span}.",
        {"data": data, "layout": layout(HEIGHT, **axes)},
        f"n = {numbers.count(n)} moments under way, {span}.",
        head=("Motor", "Moments", "Strongest drive [A]", "Strongest braking [A]", "Top speed [km/h]"),
        body=body,
        height=HEIGHT,
    )
    return [Drawn(figure)]
