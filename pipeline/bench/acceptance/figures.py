"""Birth figures: what is kept of a unit's test, so that its later life can be compared with it.

Each is made of one session's metrics in the same way at birth and later, so that the two can be set side by side: a
resistance stands at 25 degC, because one pack is tested in a warm hall and ridden in the cold.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import hypot, sqrt

from herdbook.pipeline.vehicle.record import Metric

PULSES = ("0.5s", "2s", "10s")
HEIGHT = "how full the pack was"  # near full and empty the curve is steep: offsets in Ah can be compared
Span = tuple[int, int]
By = Mapping[str, Mapping[str, Metric]]  # metrics by name and item


@dataclass(frozen=True, slots=True)
class Figure:
    """One birth figure. name: of KINDS, or "reading NAME". item: "7" for group 7, "left", "cell 2", or "". se: standard
    error in unit, None where it is not known. n: samples or events behind it."""

    name: str
    item: str
    value: float
    unit: str
    se: float | None
    n: int


@dataclass(frozen=True, slots=True)
class Kind:
    """What a name means. words: as in "resistance of group 7", {item} where an item stands. session: of which kind of
    session it is made, so that like is compared with like: a spread while charging is another than one at rest. part:
    whose figure it is: with another pack in the unit it is another pack's."""

    unit: str
    words: str
    session: str
    part: str = "pack"
    differs: str = ""


KINDS: dict[str, Kind] = {
    **{
        f"resistance_{p}": Kind("mOhm", f"resistance of group {{item}}, {p[:-1]} s after a step, at 25 °C", "ride")
        for p in PULSES
    },
    "capacity": Kind("Ah", "capacity of group {item}", "charge"),
    "capacity_pack": Kind("Ah", "capacity of the pack", "charge"),
    "capacity_over_median": Kind("Ah", "capacity of group {item} above the median group's", "charge"),
    "offset_top": Kind("Ah", "charge of group {item} above the median group's, read near full", "charge"),
    "offset_bottom": Kind("Ah", "charge of group {item} above the median group's, read near empty", "charge"),
    "level": Kind("mV", "level of group {item} above the median group's, without load", "ride"),
    "balance_full": Kind("mV", "highest less lowest group at the end of a charge", "charge", differs=HEIGHT),
    "balance_rest": Kind("mV", "highest less lowest group, rested", "rest", differs=HEIGHT),
    "zero_current": Kind("A", "reading of the pack's current sensor with the main switch open", "rest"),
    "zero_current_rest": Kind("A", "reading of the pack's current sensor at rest", "rest"),
    "zero_temp": Kind("K", "temperature sensor {item} less its siblings, as a ride begins", "ride"),
    "zero_voltage": Kind("V", "voltage at the terminals less the sum of the groups, at rest", "rest"),
    "insulation": Kind("kOhm", "lowest resistance between pack and frame, by the insulation monitor", "ride"),
    "path": Kind("mOhm", "resistance between the outer groups and the terminals", "ride"),
    "drag_no_load": Kind("A", "current of the {item} motor that spins without load", "bench", ""),
    "rolling": Kind("1", "rolling resistance over weight, coasting", "ride", ""),
    "brake_response": Kind("s", "delay of the electric brake, demand to half of the delivery", "ride", ""),
    "brake_delivery": Kind("1", "braking current delivered over demanded", "ride", ""),
    "release_to_zero": Kind("s", "longest time from release of the trigger to no drive torque", "ride", ""),
    "opened_loaded": Kind("1", "times the main switch opened while current flowed", "ride"),
}
PLAIN = {
    "pack_capacity_ah": "capacity_pack",
    "cell_offset_top_ah": "offset_top",
    "cell_offset_bottom_ah": "offset_bottom",
    "cell_level_mv": "level",
    "spread_full_mv": "balance_full",
    "spread_rest_mv": "balance_rest",
    "pack_current_zero_a": "zero_current",
    "pack_rest_a": "zero_current_rest",
    "pack_sum_gap_v": "zero_voltage",
    "pack_path_mohm": "path",
    "insulation_low_kohm": "insulation",
    "coast_rolling": "rolling",
    "brake_response_s": "brake_response",
    "regen_ratio": "brake_delivery",
    "release_to_zero_s": "release_to_zero",
    "contactor_opened_loaded": "opened_loaded",
}


def in_words(name: str, item: str) -> str:
    """ "resistance of group 7, 10 s after a step of current, at 25 °C"."""
    if name not in KINDS:
        return name
    return KINDS[name].words.replace("{item}", item.removeprefix("cell "))


def figures_of(metrics: Iterable[Metric], session: str) -> list[Figure]:
    """The birth figures that one session's (or step's) metrics give, by name and item. session: its kind."""
    by: dict[str, dict[str, Metric]] = defaultdict(dict)
    for metric in metrics:
        by[metric.name][metric.item] = metric
    out = [_plain(KINDS[new].unit, new, m) for old, new in PLAIN.items() for m in by.get(old, {}).values()]
    out += [
        _plain("K", "zero_temp", m) for m in by.get("temp_start_offset_k", {}).values() if m.item.startswith("cell ")
    ]
    for made in (_resistances, _capacities):
        out += made(by)
    return sorted((f for f in out if KINDS[f.name].session == session), key=lambda f: (f.name, _order(f.item)))


def best(found: Iterable[tuple[list[Figure], Span]]) -> dict[Span, list[Figure]]:
    """Of several places with their figures, each figure from one place alone, so that all its groups are measured
    alike: from the one that gives most items, then from the longest, then from the first."""
    places: dict[str, list[tuple[int, int, Span, list[Figure]]]] = defaultdict(list)
    for figures, span in found:
        by_name: dict[str, list[Figure]] = defaultdict(list)
        for figure in figures:
            by_name[figure.name].append(figure)
        for name, own in by_name.items():
            places[name].append((-len(own), span[0] - span[1], span, own))
    out: dict[Span, list[Figure]] = defaultdict(list)
    for name in sorted(places):
        _, _, span, own = min(places[name], key=lambda p: p[:3])
        out[span] += own
    return dict(out)


def _order(item: str) -> tuple[str, int]:
    """Group 2 before group 10."""
    head = item.rstrip("0123456789")
    return head, int(item[len(head) :] or 0)


def _plain(unit: str, name: str, m: Metric) -> Figure:
    return Figure(name, m.item, float(m.value), unit, None if m.se is None else float(m.se), m.n)


def _resistances(by: By) -> list[Figure]:
    """Of every group at 25 degC: its own, times what that does to the median group. What is uncertain about the
    temperature is uncertain about all of them."""
    out = []
    for pulse in PULSES:
        then, warm = (by.get(f"group_dcr_{pulse}{end}_mohm", {}).get("") for end in ("", "_25c"))
        if then is None or warm is None or then.value <= 0 or warm.value <= 0:
            continue
        law = sqrt(max(0.0, _share(warm) ** 2 - _share(then) ** 2))
        for m in by.get(f"cell_dcr_{pulse}_mohm", {}).values():
            value = m.value * warm.value / then.value
            se = None if m.se is None or m.value <= 0 else value * hypot(m.se / m.value, law)
            out.append(Figure(f"resistance_{pulse}", m.item, value, "mOhm", se, m.n))
    return out


def _share(m: Metric) -> float:
    return (m.se or 0.0) / m.value


def _capacities(by: By) -> list[Figure]:
    """From both knees of one session: what a group has above empty, less by what it is nearer to full."""
    top, bottom = by.get("cell_offset_top_ah", {}), by.get("cell_offset_bottom_ah", {})
    pack = by.get("pack_capacity_ah", {}).get("")
    out = []
    for item in top.keys() & bottom.keys():
        t, b = top[item], bottom[item]
        more, n = b.value - t.value, min(b.n, t.n)
        se = None if b.se is None or t.se is None else hypot(b.se, t.se)
        out.append(Figure("capacity_over_median", item, float(more), "Ah", se, n))
        if pack is not None:
            whole = None if se is None or pack.se is None else hypot(se, pack.se)
            out.append(Figure("capacity", item, float(pack.value + more), "Ah", whole, n))
    return out
