"""The evidence of one finding: its signals around its worst window, and the measured value against the limit."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.reports.drawing.panels import Panel, stack
from herdbook.pipeline.reports.drawing.traces import item_words, load, role_words
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.figure import PageFigure
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import from_micros, micros
from herdbook.pipeline.vehicle.packs import PACK_ROLES, marked
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Signals

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

LEAD_S = 5.0  # before and after the window
MOST_S = 12 * 3600.0  # a longer window is drawn from its beginning only, and the figure says so
MOST_PANELS = 6
MOST_LANES = 4  # states and fault words under them
LANE_UNITS = ("state", "bits")
MOST_WORDS = 4  # values of one fault word that are named on its axis
BitNames = Mapping[tuple[str, int | str], Mapping[int, str]]


@dataclass(frozen=True, slots=True)
class Gauge:
    """Measured against limit as a bar from zero: positions in percent of the width."""

    zero: float
    measured: float
    limit: float
    low: float
    high: float
    text: str


def gauge(finding: Row) -> Gauge | None:
    """The bar of a finding; None when its numbers do not share a readable scale."""
    measured, limit, se = finding["measured"], finding["limit"], finding["se"] or 0.0
    values = np.array([0.0, measured - se, measured + se, measured, limit])
    if not np.isfinite(values).all() or values.min() == values.max():
        return None
    low, high = float(values.min()), float(values.max())
    reach = (high - low) * 1.12
    base = low - (high - low) * 0.06 if low < 0 else 0.0

    def place(value: float) -> float:
        return round(100 * (value - base) / reach, 2)

    return Gauge(
        zero=place(0.0),
        measured=place(measured),
        limit=place(limit),
        low=place(measured - se),
        high=place(measured + se),
        text=f"Measured {numbers.amount(measured, finding['unit'], finding['se'])}, "
        f"limit {numbers.amount(limit, finding['unit'])}",
    )


SAME = 0.02  # of certainty, stated in whole per cent


def margin(finding: Row) -> str:
    """How far the measured value is beyond the limit: how much the limit could move before the finding goes."""
    over, limit, se = finding["measured"] - finding["limit"], finding["limit"], finding["se"]
    said = [f"by {numbers.amount(abs(over), finding['unit'])}"]
    if limit:
        said.append(f"{abs(over / limit):.0%} of it" if abs(over) <= abs(limit) else f"{over / limit + 1:.1f} times it")
    if se:
        said.append(f"{abs(over) / se:.1f} standard errors")
        if finding["confidence"] > NormalDist().cdf(abs(over) / se) + SAME:
            said[-1] += " of its size (that it happens is surer than how much)"
    return ", ".join(said)


def where(facts: Facts, window: Row) -> str:
    """A window's time and the logs it is in, so that anybody finds the second in the file."""
    logs = [g for g in facts.logs if g["start_t"] <= window["end_t"] and g["end_t"] >= window["start_t"]]
    named = "; ".join(f"{g['name']} ({g['log'][:12]})" for g in logs)
    return f"{numbers.span(window['start_t'], window['end_t'], facts.zone)}, in {named or 'no log now in the ledger'}"


def command(facts: Facts, roles: tuple[str, ...], start: int, end: int) -> str:
    """The command that writes every sample of what is drawn. start, end: microseconds UTC."""
    times = [from_micros(t).strftime("%Y-%m-%dT%H:%M:%SZ") for t in (start, end + 1_000_000)]
    words_ = [
        "herdbook",
        "wires",
        facts.vehicle,
        *(marked(facts.pack, r) if facts.pack and r in PACK_ROLES else r for r in roles),
        "--since",
        times[0],
        "--until",
        times[1],
        "--out",
        "full.parquet",
    ]
    return shlex.join(words_)


def lanes_of(rule: str, drawn: tuple[str, ...]) -> tuple[str, ...]:
    """States and fault words by which the rule's causes are told, as far as they are not drawn already."""
    known = all_rules().get(rule)
    roles = told_by(known.causes) if known else ()
    return tuple(role for role in roles if ROLES[role].unit in LANE_UNITS and role not in drawn)[:MOST_LANES]


def told_by(causes: Iterable[str]) -> tuple[str, ...]:
    """The roles by which causes are told, each once; none for causes without a test."""
    tests = [test for c in causes if (test := getattr(c, "test", None)) is not None]
    return tuple(dict.fromkeys(role for test in tests for role in test.roles))


def figure(store: Store, facts: Facts, finding: Row, bits: BitNames | None = None) -> PageFigure | str:
    """The worst window drawn, states and fault words below it in words; or the reason why there is nothing to draw.

    bits: what the bits of fault words mean."""
    if not finding["windows"]:
        return "This finding rests on figures of whole sessions; there is no single moment to draw."
    window = finding["windows"][0]
    end = micros(window["end_t"])
    start = recorded_from(facts, window)
    shown_end = min(end, start + int(MOST_S * 1e6))
    lead = int(max(LEAD_S, 0.1 * (shown_end - start) / 1e6) * 1e6)
    roles = tuple(role for role in finding["signals"] if role in ROLES)[:MOST_PANELS]
    if not roles:
        return "The rule names no signal to draw."
    lanes = lanes_of(finding["rule"], roles)
    try:
        signals = load(store, facts.vehicle, start - lead, shown_end + lead, (*roles, *lanes), pack=facts.pack)
    except HerdbookError as problem:
        return f"The signals of this window could not be read. {problem}"
    panels = [panel_of(role, finding, signals) for role in roles if signals.has(role)]
    if not panels:
        return "The signals of this window are not in the store any more, or never were."
    panels += [
        replace(panel_of(role, finding, signals), words=word_ticks([signals], role, bits or {})) for role in lanes
    ]
    made = stack(signals, panels, facts.zone, window=(start, shown_end))
    note = made.note
    if shown_end < end:
        lasts, drawn = numbers.duration((end - start) / 1e6), numbers.duration(MOST_S)
        note += f" The window lasts {lasts}; its first {drawn} are drawn."
    missing = [role_words(r).lower() for r in roles if not signals.has(r)]
    if missing:
        note += f" Not recorded here: {numbers.listing(missing)}."
    head, body = _numbers(signals, [p for p in panels if signals.has(p.role)], start, shown_end)
    return PageFigure(
        id=f"evidence-{finding['finding'][:12]}",
        spec=made.spec,
        zoom=made.zoom,
        note=note,
        command=command(facts, (*roles, *(r for r in lanes if signals.has(r))), start - lead, shown_end + lead),
        head=head,
        body=body,
        title=f"{finding['title']}: {numbers.span(window['start_t'], window['end_t'], facts.zone)}",
        alt=_alt(panels, signals, facts.zone),
        height=int(made.spec["layout"]["height"]),
    )


def word_ticks(pieces: Iterable[Signals], role: str, bits: BitNames) -> tuple[tuple[int, str], ...]:
    """The values that a fault word takes in some stretches, in words; none for a state, whose words are the role's."""
    if ROLES[role].unit != "bits":
        return ()
    named: dict[int, str] = {0: "none"}
    for signals, item in ((s, i) for s in pieces for i in s.items(role)):
        v = signals.series(role, item).v
        for value in sorted({int(x) for x in np.unique(v[np.isfinite(v)])} - {0})[:MOST_WORDS]:
            names = bits.get((role, item), {})
            set_ = [b for b in range(value.bit_length()) if value >> b & 1]
            named[value] = ", ".join(names.get(b, f"bit {b}") for b in set_)
    return tuple(named.items())


def recorded_from(facts: Facts, window: Row) -> int:
    """Where the record of a window begins, microseconds UTC: a long window may start in a gap."""
    inside = [g["start_t"] for g in facts.logs if g["start_t"] <= window["end_t"] and g["end_t"] >= window["start_t"]]
    return micros(max(window["start_t"], min(inside))) if inside else micros(window["start_t"])


def panel_of(role: str, finding: Row, signals: Signals) -> Panel:
    bold = frozenset(_items_of(finding["item"], role) & {str(i) for i in signals.items(role)})
    limit = (finding["limit"], "limit " + numbers.amount(finding["limit"], finding["unit"]))
    return Panel(role, bold, limit if _limit_belongs(role, finding, signals, bold) else None)


def _items_of(item: str, role: str) -> set[str]:
    """What the item of a finding means for a role: "cell 7" is 7 of the cell roles, "left" is left of the sides."""
    if ROLES[role].index == "side":
        return {side for side in ("left", "right") if side in item}
    digits = set(re.findall(r"\d+", item))
    return digits if ROLES[role].index and (ROLES[role].index in item or item.isdigit()) else set()


def _limit_belongs(role: str, finding: Row, signals: Signals, bold: frozenset[str]) -> bool:
    """Only a limit on the drawn quantity itself is drawn: units agree and the measured value is an extreme of it."""
    if finding["unit"] != ROLES[role].unit or ROLES[role].unit in ("%", "1", "state", "bits"):
        return False
    chosen = [
        s
        for item in signals.items(role)
        if (not bold or str(item) in bold)
        for s in [signals.series(role, item).v]
        if np.isfinite(s).any()
    ]
    if not chosen:
        return False
    low, high = min(float(np.nanmin(v)) for v in chosen), max(float(np.nanmax(v)) for v in chosen)
    near = 0.02 * (high - low) + 3 * (finding["se"] or 0.0) + 1e-9
    return bool(min(abs(finding["measured"] - low), abs(finding["measured"] - high)) <= near)


def _numbers(
    signals: Signals, panels: list[Panel], start: int, end: int
) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    body: list[tuple[str, ...]] = []
    inside = signals.between(start, max(end, start + 1))
    for panel in panels:
        for item in signals.items(panel.role):
            v = inside.series(panel.role, item).v
            good = v[np.isfinite(v)]
            if good.size and ROLES[panel.role].unit not in ("state", "bits", "id"):
                body.append(
                    (
                        f"{role_words(panel.role)} {item_words(item)}".strip(),
                        numbers.unit(ROLES[panel.role].unit),
                        numbers.number(float(good.min())),
                        numbers.number(float(np.median(good))),
                        numbers.number(float(good.max())),
                        str(good.size),
                    )
                )
    return ("Signal", "Unit", "Lowest", "Median", "Highest", "Samples"), body


def _alt(panels: list[Panel], signals: Signals, zone: ZoneInfo | None) -> str:
    names = numbers.listing([role_words(p.role).lower() for p in panels])
    limits = [p.limit[1] for p in panels if p.limit]
    return (
        f"Line chart of {names} against time ({zone.key if zone else 'UTC'}), "
        f"{numbers.duration((signals.end - signals.start) / 1e6)} long, the finding's window shaded"
        + (f", {numbers.listing(limits)} drawn as a dashed line." if limits else ".")
    )
