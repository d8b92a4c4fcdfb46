"""The evidence of a finding as a small drawing without a script: a few kilobytes, for pages that are many.

Up to two signals of its worst window, one above the other, thinned with every spike kept; the dossier has all of them,
to zoom into. A drawing is made once: it stays in its page, under a mark, until the finding says something else.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.dossier.evidence import LEAD_S, panel_of, recorded_from
from herdbook.pipeline.reports.drawing.panels import Panel
from herdbook.pipeline.reports.drawing.thin import thin
from herdbook.pipeline.reports.drawing.traces import item_words, load, role_words
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.packs import about_its_pack
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import from_micros, micros
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Series, Signals

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

FORM = "1"  # another number when the drawing changes, so that old ones are drawn anew
POINTS = 160  # a line; the drawing is about 600 pixels wide
MOST_PANELS, MOST_BESIDE = 2, 3
MOST_S = 1800.0  # a longer window is drawn from its beginning only
WIDTH, HEIGHT, LEFT, TOP = 620.0, 96.0, 58.0, 28.0


@dataclass(frozen=True, slots=True)
class FindingDrawing:
    """mark: what it was drawn from. svg: "" where nothing could be drawn, and then why."""

    mark: str
    svg: Markup
    why: str = ""


def mark_of(finding: Row) -> str:
    """Changes when the drawing would."""
    seen = [finding[key] for key in ("finding", "statement", "windows", "signals", "limit", "item")]
    return hashlib.sha256(repr([FORM, seen]).encode()).hexdigest()[:24]


def kept(path: Path) -> dict[str, FindingDrawing]:
    """The drawings that a page holds already, by mark; an empty one is tried again."""
    if not path.is_file():
        return {}
    found = re.findall(r"<!--sketch ([0-9a-f]{24})-->(.+?)<!--end-->", path.read_text("utf-8"), re.DOTALL)
    return {mark: FindingDrawing(mark, Markup(svg)) for mark, svg in found}


def draw(store: Store, facts: Facts, finding: Row) -> FindingDrawing:
    """A finding's worst window; a reason where there is nothing to draw. finding: has a window."""
    mark, roles = mark_of(finding), tuple(r for r in finding["signals"] if r in ROLES)[:4]
    facts, finding = about_its_pack(facts, finding)
    if not roles:
        return FindingDrawing(mark, Markup(""), "The rule names no signal to draw.")
    window = finding["windows"][0]
    start = recorded_from(facts, window)
    end = min(micros(window["end_t"]), start + int(MOST_S * 1e6))
    lead = int(max(LEAD_S, 0.1 * (end - start) / 1e6) * 1e6)
    try:
        signals = load(store, facts.vehicle, start - lead, end + lead, roles, pack=facts.pack)
    except HerdbookError as problem:
        return FindingDrawing(mark, Markup(""), f"The signals of this window could not be read. {problem}")
    panels = [panel_of(role, finding, signals) for role in roles if signals.has(role)][:MOST_PANELS]
    if not panels:
        return FindingDrawing(
            mark, Markup(""), "The signals of this window are not in the store any more, or never were."
        )
    return FindingDrawing(mark, _figure(facts, signals, panels, (start, end)))


def _figure(facts: Facts, signals: Signals, panels: list[Panel], window: tuple[int, int]) -> Markup:
    height = (HEIGHT + TOP) * len(panels) + 18
    t0, t1 = signals.start, max(signals.end, signals.start + 1)
    body = "".join(_panel(signals, p, window, (t0, t1), (HEIGHT + TOP) * i) for i, p in enumerate(panels))
    ends = [numbers.moment(from_micros(t), facts.zone) for t in (t0, t1)]
    foot = f'<text x="{LEFT}" y="{height - 4:.0f}">{ends[0]}</text>' + (
        f'<text x="{WIDTH}" y="{height - 4:.0f}" text-anchor="end">{ends[1][11:]}</text>'
    )
    drawn = numbers.listing([role_words(p.role).lower() for p in panels])
    said = f"{drawn}, {ends[0]} to {ends[1][11:]} ({facts.zone_name}); the window of the finding is shaded."
    return Markup(
        f'<svg class="sketch" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" aria-label="{escape(said)}">'
        f"{body}{foot}</svg>"
    )


def _panel(signals: Signals, panel: Panel, window: tuple[int, int], span: tuple[int, int], top: float) -> str:
    every = [(i, signals.series(panel.role, i)) for i in signals.items(panel.role)]
    strong = [(i, s) for i, s in every if not panel.bold or str(i) in panel.bold]
    faint = [(i, s) for i, s in every if (i, s) not in strong][:MOST_BESIDE]
    shown = strong[:MOST_BESIDE]
    values = np.concatenate([s.v[np.isfinite(s.v)] for _, s in (*shown, *faint)])
    if not values.size:
        return ""
    limit = panel.limit[0] if panel.limit else None
    low, high = _range(values, limit, ROLES[panel.role].unit)
    y0 = top + TOP

    def x(t: float) -> float:
        return LEFT + (WIDTH - LEFT) * (t - span[0]) / (span[1] - span[0])

    def y(v: float) -> float:
        return y0 + HEIGHT * (1 - (v - low) / (high - low))

    lines = [("faint", s) for _, s in faint] + [(f"s{k}", s) for k, (_, s) in enumerate(shown)]
    drawn = "".join(f'<path class="{name}" d="{_path(s, x, y)}"/>' for name, s in lines)
    shade = f'<rect class="win" x="{x(window[0]):.1f}" y="{y0:.0f}" width="{x(window[1]) - x(window[0]):.1f}" ' + (
        f'height="{HEIGHT:.0f}"/>'
    )
    bar = f'<path class="lim" d="M{LEFT} {y(limit):.1f}H{WIDTH}"/>' if limit is not None else ""
    unit = numbers.unit(ROLES[panel.role].unit)
    names = ", ".join(item_words(i) for i, _ in shown if i != "")
    title = f"{role_words(panel.role)}{' ' + names if names else ''}{f' [{unit}]' if unit else ''}"
    n = sum(len(s) for _, s in shown)
    said = f"{title}, n = {n}" + (f", {panel.limit[1]} dashed" if panel.limit else "")
    return (
        f'{shade}<path class="axis" d="M{LEFT} {y0:.0f}V{y0 + HEIGHT:.0f}H{WIDTH}"/>{bar}{drawn}'
        f'<text x="{LEFT}" y="{y0 - 8:.0f}">{escape(said)}</text>'
        f'<text x="{LEFT - 6}" y="{y0 + 10:.0f}" text-anchor="end">{numbers.number(high)}</text>'
        f'<text x="{LEFT - 6}" y="{y0 + HEIGHT:.0f}" text-anchor="end">{numbers.number(low)}</text>'
    )


def _range(values: NDArray[np.float64], limit: float | None, unit: str) -> tuple[float, float]:
    """What the axis spans: all values, the limit, and zero for quantities that have a natural one."""
    ends = [float(values.min()), float(values.max())]
    if limit is not None:
        ends.append(limit)
    if unit in ("A", "%", "rpm", "m/s"):
        ends.append(0.0)
    low, high = min(ends), max(ends)
    return (low, high) if high > low else (low - 0.5, high + 0.5)


def _path(series: Series, x: Callable[[float], float], y: Callable[[float], float]) -> str:
    """SVG path of a thinned series; a hole lifts the pen."""
    out, down = [], False
    for t, v in zip(*thin(series.t, series.v, POINTS), strict=True):
        if v != v:
            down = False
            continue
        out.append(f"{'L' if down else 'M'}{x(float(t)):.1f} {y(float(v)):.1f}")
        down = True
    return "".join(out)
