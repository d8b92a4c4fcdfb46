"""The sensors of the pack side by side in the session whose load explains most: what each read at its warmest, beside
what the load alone would have made of the pack's median."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.reports.drawing.pack_plan import Rows, pack_plan
from herdbook.pipeline.reports.drawing.readings import items, metric_series
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn
from herdbook.pipeline.reports.page.figure import PageFigure, axis, layout, markers
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import from_micros

LEAST_SPAN_K = 5.0  # up the axis, so that a step of a sensor is no mountain
UNPLACED = (
    "The profile does not say where in the pack each of them sits ([pack] plan lays groups and sensors out): to find "
    "the spot takes the maker's drawing of the sensors."
)
HOT_K = 2.0  # a sensor this far above the others' median is named (engineering choice: sensors agree within 1 to 2 K)


def sensors(facts: Facts, plan: Rows = ()) -> list[Block]:
    """Empty where no session has both the sensors' readings and a rise that the load explains. plan: where they sit, as
    the profile lays out the pack."""
    explained, rise = metric_series(facts, "pack_heat_explained_k"), metric_series(facts, "pack_heat_rise_k")
    times, a, b = np.intersect1d(explained.t, rise.t, return_indices=True)
    names = [item for item in items(facts, "temp_highest_c") if item.startswith("cell ")]
    if not times.size or len(names) < 2:
        return []
    k = int(np.argmax(explained.value[a]))
    says, rose, at = float(explained.value[a][k]), float(rise.value[b][k]), int(times[k])
    read: dict[str, float] = {}
    for name in names:
        of = metric_series(facts, "temp_highest_c", name)
        if (of.t == at).any():
            read[name.removeprefix("cell ")] = float(of.value[of.t == at][0])
    if len(read) < 2:
        return []
    predicted = float(np.median(list(read.values()))) - (rose - says)
    hottest = max(read, key=lambda name: read[name])
    ahead = read[hottest] - float(np.median([v for name, v in read.items() if name != hottest]))
    day = numbers.day(from_micros(at), facts.zone)
    named = {hottest: read[hottest]} if ahead >= HOT_K else {}
    data = [
        markers(shown, [f"sensor {n}" for n in group], list(group.values()), color, symbol)
        for shown, group, color, symbol in (
            ("measured", {n: v for n, v in read.items() if n not in named}, "@line1", "circle"),
            (f"measured, the hottest: sensor {hottest}", named, "@strong", "diamond"),
            ("predicted from the load", dict.fromkeys(read, predicted), "@line3", "square-open"),
        )
        if group
    ]
    low, high = min(*read.values(), predicted), max(*read.values(), predicted)
    room = max(LEAST_SPAN_K - (high - low), 0.2 * (high - low)) / 2
    places = axis("Sensor, in the order of the log", type="category", categoryarray=[f"sensor {n}" for n in read])
    y = axis("Highest reading [°C]", range=[low - room, high + room])
    figures = [(n, f"{v:.1f}", f"{predicted:.1f}", f"{v - predicted:+.1f}") for n, v in read.items()]
    said = [(f"sensor {n}", *map(numbers.with_minus, row)) for n, *row in figures]
    placed = pack_plan(plan, read, predicted, hottest if named else "")
    where = "The plan below shows where each sits." if placed else UNPLACED
    leads = f"Sensor {hottest} is {ahead:.1f} K above the median of the others. " if named else ""
    note = (
        f"{leads}The session of {day}, whose load explains most. Predicted: the median of the pack, had it warmed "
        f"by the {says:.1f} K that the load explains and not by {rose:.1f} K; one figure for all sensors. {where}"
    )
    alt = (
        f"Highest reading of {len(read)} sensors in one session, {low:.1f} to {high:.1f} °C, beside the predicted "
        f"{predicted:.1f} °C. The hottest is sensor {hottest}."
    )
    figure = PageFigure(
        "heat-sensors",
        "Sensors side by side: measured and predicted [°C]",
        alt,
        {"data": data, "layout": layout(300, xaxis=places, yaxis=y)},
        note,
        head=("Sensor", "Measured [°C]", "Predicted [°C]", "Measured minus predicted [K]"),
        body=said,
        height=300,
    )
    return [Drawn(figure), *placed]
