"""A profile held against logs as one HTML page: every test with a small picture of what is expected and was found."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.reports.page import html
from herdbook.pipeline.vehicle.contact.check import Checked, between, measure, number
from herdbook.pipeline.vehicle.contact.hold import Contact

WIDTH = 200.0  # of a picture, in its own units
MOST_DOTS = 60


@dataclass(frozen=True, slots=True)
class PageLine:
    """left, width: of the expected band; dots: a log each; in 0..WIDTH."""

    word: str
    tested: str
    found: str
    do: str
    left: float = 0.0
    width: float = 0.0
    dots: tuple[float, ...] = ()
    alt: str = ""


def write_contact(contact: Contact, out: Path | str) -> Path:
    """Write the page; the file written."""
    page = html.render("contact.html.j2", contact=contact, lines=[page_line(c) for c in contact.checked])
    return html.write(html.target(out, f"{html.file_name(contact.profile)}_contact.html"), page)


def page_line(c: Checked) -> PageLine:
    tested = f"{c.tested} [{c.item}]" if c.item else c.tested
    told = [p for p in c.points if math.isfinite(p)][:MOST_DOTS]
    if not told:
        return PageLine(c.verdict.value, tested, c.found, c.do)
    low, high = _scale(told, c.low, c.high)

    def place(value: float) -> float:
        return round(min(WIDTH, max(0.0, (value - low) / (high - low) * WIDTH)), 1)

    left, right = place(c.low), place(c.high)
    return PageLine(
        word=c.verdict.value,
        tested=tested,
        found=c.found,
        do=c.do,
        left=left,
        width=max(1.0, right - left),
        dots=tuple(place(p) for p in told),
        alt=f"Expected {measure(between(c.low, c.high), c.unit)}; logs from {number(min(told))} to {number(max(told))}",
    )


def _scale(points: Sequence[float], low: float, high: float) -> tuple[float, float]:
    """Ends of the axis: the band, where it has ends, and all points, with a little room."""
    ends = [*points, *(e for e in (low, high) if math.isfinite(e))]
    a, b = min(ends), max(ends)
    room = 0.08 * (b - a) or 1.0
    return a - room, b + room
