"""A certificate as one page that prints well. A pure function of its record: same record, same bytes.

Beside each value stands a small picture: the limits, the guard band inside of them, and the value with two standard
errors.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass
from typing import Any

from herdbook.pipeline.reports.page import html
from herdbook.pipeline.reports.page.figure import script_safe
from herdbook.pipeline.reports.page.signature import EMPTY
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.times import from_stamp

Document = dict[str, Any]
WIDTH, SURE = 160.0, 2.0
HEADLINE = {"passed": "Passed", "failed": "Failed", "not decided": "Not decided"}


@dataclass(frozen=True, slots=True)
class RowPicture:
    """All in 0..WIDTH. band: between the limits; accept: between the limits less the guard band; None where there is
    none."""

    band: tuple[float, float]
    accept: tuple[float, float] | None
    at: float
    low: float
    high: float
    alt: str


def as_html(made: Document) -> str:
    """The page, with an empty place for its signature."""
    zone = numbers.zone_of(made["zone"])

    def local(stamp: str | None) -> str:
        return numbers.moment(from_stamp(stamp) if stamp else None, zone)

    embedded = script_safe(json.dumps(made, ensure_ascii=True, separators=(",", ":")))
    return html.render(
        "certificate.html.j2",
        doc=made,
        headline=HEADLINE[made["verdict"]],
        pictures={row["no"]: picture(row) for step in made["steps"] for row in step["rows"]},
        alike=alike(made),
        of_all=[row for step in made["steps"] for row in step["rows"] if row.get("production")],
        global_words=global_words(made),
        amount=numbers.amount,
        chance=chance,
        at_most=at_most,
        limits=limits,
        guard=guard,
        local=local,
        embedded=embedded,
        signature=EMPTY,
        headlines=HEADLINE,
        width=WIDTH,
    )


def alike(made: Document) -> set[int]:
    """Numbers of rows that a small screen folds away: passed ones of a check that has more than two of them (its
    groups, say), but for the one nearest to its limits. Paper and wide screens show them all."""
    out: set[int] = set()
    for step in made["steps"]:
        by: dict[tuple[str, float | None, float | None], list[Document]] = {}
        for row in step["rows"]:
            if row["verdict"] == "passed":
                by.setdefault((row["measured"], row["low"], row["high"]), []).append(row)
        for rows in by.values():
            if len(rows) > 2:
                nearest = min(rows, key=lambda row: 1.0 if row["conforms"] is None else row["conforms"])
                out |= {row["no"] for row in rows if row is not nearest}
    return out


def chance(share: float | None) -> str:
    """A probability as people read it: "3.2 %", "under 0.01 %"."""
    if share is None:
        return "not known"
    return "under 0.01 %" if share < 1e-4 else f"{100 * share:.2g} %" if share < 0.995 else f"{100 * share:.4g} %"


def at_most(share: float) -> str:
    """The same as an upper bound."""
    said = chance(share)
    return said if said.startswith("under") else f"at most {said}"


def global_words(made: Document) -> str:
    """The global risks of a test in a sentence or two; "" for a certificate of before they were asked for."""
    rows = [(row, row["production"]) for step in made["steps"] for row in step["rows"] if row.get("production")]
    known = [(row, one) for row, one in rows if one["consumers_risk"] is not None]
    if not rows:
        return ""
    if not known:
        [(why, _)] = Counter(one["lacking"] for _, one in rows).most_common(1)
        return f"not assessable: {why}."
    worst = max(known, key=lambda r: r[1]["consumers_risk"])
    dear = max(known, key=lambda r: r[1]["producers_risk"])
    units = min(one["units"] for _, one in known)
    said = (
        f"by {units} other units in the store, {at_most(worst[1]['consumers_risk'])} of all that the line makes lie "
        f"outside a limit and are accepted (consumer's risk of one value; highest for {_named(worst[0])}), "
        f"{at_most(dear[1]['producers_risk'])} lie inside and are not accepted (producer's risk; highest for "
        f"{_named(dear[0])})."
    )
    left = len(rows) - len(known)
    return said + (f" {numbers.plural(left, 'other value')}: not assessable." if left else "")


def _named(row: Document) -> str:
    words = row["words"].split(":")[0]
    return f"{words}, {row['item_words']}" if row["item_words"] else words


def limits(row: Document) -> str:
    """ "0.75 to 1.25", "at most 3.65 V"."""
    unit = numbers.unit(row["unit"])
    low, high = (None if row[end] is None else f"{row[end]:g}" for end in ("low", "high"))
    if low is not None and high is not None:
        said = low if low == high else f"{low} to {high}"
    else:
        said = f"at most {high}" if low is None else f"at least {low}"
    return f"{said}%" if unit == "%" else f"{said}\u00a0{unit}".rstrip("\u00a0")


def guard(row: Document) -> str:
    """How wide the guard band is, with unit; "" where there is none to speak of."""
    for end, inner in (("high", "accept_high"), ("low", "accept_low")):
        if row[end] is not None and row[inner] is not None:
            wide = abs(row[end] - row[inner])
            return numbers.amount(wide, row["unit"]) if wide else "none: counted"
    return ""


def picture(row: Document) -> RowPicture | None:
    """None where nothing was measured."""
    value, se = row["value"], row["standard_error"] or 0.0
    if value is None:
        return None
    ends = [e for e in (row["low"], row["high"]) if e is not None]
    seen = [*ends, value - SURE * se, value + SURE * se]
    spread = (max(seen) - min(seen)) or abs(max(seen)) or 1.0
    left, right = min(seen) - 0.12 * spread, max(seen) + 0.12 * spread

    def place(x: float | None, otherwise: float) -> float:
        return otherwise if x is None else round(min(WIDTH, max(0.0, (x - left) / (right - left) * WIDTH)), 1)

    accept = None
    if row["accept_low"] is not None or row["accept_high"] is not None:
        accept = place(row["accept_low"], 0.0), place(row["accept_high"], WIDTH)
    return RowPicture(
        band=(place(row["low"], 0.0), place(row["high"], WIDTH)),
        accept=accept,
        at=place(value, 0.0),
        low=place(value - SURE * se, 0.0),
        high=place(value + SURE * se, 0.0),
        alt=f"{numbers.amount(value, row['unit'], row['standard_error'])}; limits {limits(row)}",
    )
