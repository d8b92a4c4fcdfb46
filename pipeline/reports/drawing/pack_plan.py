"""The pack seen from above as its profile lays it out: groups, and in its place each sensor with what it read beside
what the load predicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from herdbook.pipeline.reports.page.blocks import PageTable
from herdbook.pipeline.reports.words import numbers

Rows = Sequence[Sequence[str]]


def pack_plan(plan: Rows, read: Mapping[str, float], predicted: float, hottest: str) -> list[PageTable]:
    """plan: of the profile, `3` a group, `T2` a sensor, `.` nothing. read: highest reading by sensor, degC. hottest:
    the sensor that stands out, "" where none does. Empty where no sensor of the plan has a reading."""
    if not any(place[1:] in read for row in plan for place in row if place.startswith("T")):
        return []
    head = ("Row", *(str(k) for k in range(1, len(plan[0]) + 1)))
    body = [(str(k), *(_place(p, read, predicted, hottest) for p in row)) for k, row in enumerate(plan, start=1)]
    title = f"The pack seen from above; predicted {predicted:.1f}\u00a0°C"
    return [PageTable(numbers.with_minus(title), head, body)]


def _place(place: str, read: Mapping[str, float], predicted: float, hottest: str) -> str:
    if place == ".":
        return ""
    if not place.startswith("T"):
        return f"group\u00a0{place}"
    sensor = place[1:]
    if sensor not in read:
        return f"sensor {sensor}: no reading"
    value = numbers.with_minus(f"{read[sensor]:.1f}\u00a0°C, {read[sensor] - predicted:+.1f}\u00a0K")
    return f"sensor\u00a0{sensor}: {value}" + (" (hottest)" if sensor == hottest else "")
