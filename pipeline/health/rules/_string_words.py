"""What a fit over the whole record says about one cause: findings of three rules, in the same words.

A group that stands apart has one cause among three; the likeliest is named, its chance is the confidence, and the
others are told with what would separate them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from herdbook.pipeline.health.pack.string import StringFit, string_fit
from herdbook.pipeline.health.rule import Finding, Record
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.science.string_fit import Weighed, Why

DOUBT = 0.02  # chance that nothing is wrong with the group, at most (engineering choice)
LEAST = 0.4  # chance of the cause that is named: the likeliest of three (engineering choice)
SURE = 0.5  # from here on it is a matter for the service desk (engineering choice)
MOST = 0.99  # no model of a curve is surer
WORDS = {
    Why.CHARGE: "a difference in charge alone, when a charge to full and some hours of balancing bring it back",
    Why.CAPACITY: "little capacity, when it is level at full and falls behind again with every ride",
    Why.LEAK: "a leak, when it falls behind at rest too",
}


@dataclass(frozen=True, slots=True)
class Spoken:
    """One cause in the words of its rule. scale: from shares to unit. sentence: of the item and what was weighed."""

    cause: Why
    scale: float
    unit: str
    sentence: Callable[[str, Weighed], str]


def from_fit(record: Record, about: Spoken, said: Collection[str], limits: Mapping[str, float]) -> list[Finding]:
    """Findings of one cause about groups of which nothing was said yet (`said`: their items)."""
    fit = string_fit(record)
    out = []
    for item, w in fit.groups.items():
        named = w.cause is about.cause and w.chance[""] < DOUBT and w.chance[about.cause] >= LEAST
        if named and item not in said and about.scale * abs(w.size) > limits["look"]:
            out.append(_finding(fit, item, w, about, limits))
    return out


def refuted(record: Record, item: str, cause: Why, size: float) -> bool:
    """Whether the whole record contradicts a fault of that size (share): it would show, and the group stands level."""
    fit = string_fit(record)
    return item in fit.looked and item not in fit.groups and fit.could_show(cause, size)


def _finding(fit: StringFit, item: str, w: Weighed, about: Spoken, limits: Mapping[str, float]) -> Finding:
    size, chance = about.scale * abs(w.size), w.chance[about.cause]
    act = size > limits["act"]
    others = [f"{WORDS[c]} (chance {w.chance[c]:.2f})" for c in Why if c is not about.cause and w.chance[c] > 0.05]
    return Finding(
        severity=Severity.SERVICE if act and chance >= SURE else Severity.NOTE,
        item=f"cell {item}",
        measured=size,
        limit=limits["act" if act else "look"],
        unit=about.unit,
        se=about.scale * w.se,
        statement=about.sentence(item, w) + f" That is read from {fit.pieces} moments over {fit.days:.0f} days.",
        confidence=min(chance, MOST),
        persistence=1.0,
        count=fit.pieces,
        duration_s=sum((x.end - x.start) / 1e6 for x in fit.windows),
        windows=fit.windows,
        signals=("cell_voltage", "pack_current", "pack_soc"),
        not_separable=f"Or {'; or '.join(others)}." if others else "",
    )
