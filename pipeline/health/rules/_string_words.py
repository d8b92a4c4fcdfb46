"""What a fit over the whole record says: findings of three rules, in the same words.

That a group stands apart is one thing, and mostly certain; why it does is another. Its place among its siblings is told
whatever the cause; little capacity or a leak is named on top where it is the likeliest, its chance is the confidence,
and the others are told with what would separate them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from herdbook.pipeline.health.pack.string import StringFit, string_fit
from herdbook.pipeline.health.rule import Finding, Record
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.science.string_fit import Weighed, Why

DOUBT = 0.02  # chance that nothing is wrong with the group, at most (engineering choice)
LEAST = 0.4  # chance of a cause that is named: the likeliest of three (engineering choice)
# Who has not seen a group fuller and emptier by so much cannot tell capacity from charge (engineering choice).
DEPTH = 0.4
MOST = 0.99  # no model of a curve is surer (engineering choice)
HARDLY = 0.8  # no surer of what a record of that kind would hardly show (engineering choice)
ONCE = 0.7  # no surer of what every second session alone does not bear out, too little to act on (engineering choice)
WORDS = {
    Why.CHARGE: "a difference in charge alone, when a charge to full and some hours of balancing bring it back",
    Why.CAPACITY: "little capacity, when it is level at full and falls behind again with every ride",
    Why.LEAK: "a leak, when it falls behind at rest too",
}


SHORT = {
    Why.CHARGE: "a difference in charge alone",
    Why.CAPACITY: "little capacity",
    Why.LEAK: "a leak",
}
PLAIN = 0.95  # from this chance on the others are not worth a word (engineering choice)
NOTHING = 0.05  # under this chance a cause is not worth a word (engineering choice)


def course_of(w: Weighed) -> str:
    """Which cause its course over the record is like, with chances where more than one is worth a word."""
    ranked = sorted((c for c in Why if w.chance[c] >= NOTHING), key=lambda c: -w.chance[c])
    if not ranked or w.chance[ranked[0]] >= PLAIN:
        return f"its course over the record is that of {SHORT[ranked[0]]}" if ranked else "its course tells no cause"
    first, *rest = (f"{SHORT[c]} (chance {w.chance[c]:.2f})" for c in ranked)
    return f"its course is most like that of {first}" + (f", then of {' or '.join(rest)}" if rest else "")


@dataclass(frozen=True, slots=True)
class Spoken:
    """One cause in the words of its rule. scale: from shares to unit. sentence: of the item and what was weighed."""

    cause: Why
    scale: float
    unit: str
    sentence: Callable[[str, Weighed], str]


def from_fit(
    record: Record, about: Spoken, said: Collection[str], limits: Mapping[str, float], borne_out: Collection[str] = ()
) -> list[Finding]:
    """Findings of one cause about groups of which nothing was said yet (`said`: their items). borne_out: groups of
    which another way of reading them, that what fools this one does not fool, says the same."""
    fit = string_fit(record)
    out: list[Finding] = []
    if about.cause is Why.CAPACITY and fit.depth < DEPTH:
        return out
    for item, w in fit.groups.items():
        whatever = about.cause is Why.CHARGE
        named = w.chance[""] < DOUBT and (whatever or (w.cause is about.cause and w.chance[about.cause] >= LEAST))
        if named and item not in said and about.scale * abs(_size(w, about)) > limits["look"]:
            again = item in fit.again or item in borne_out
            out.append(_finding(fit, item, w, about, limits, again=again))
    return out


def refuted(record: Record, item: str, cause: Why, size: float) -> bool:
    """Whether the whole record contradicts a fault of that size (share): it would show, and the group surely stands
    level."""
    fit = string_fit(record)
    level = item in fit.looked and item not in fit.groups and item not in fit.open
    return level and fit.could_show(cause, size)


def _size(w: Weighed, about: Spoken) -> float:
    return w.stands if about.cause is Why.CHARGE else w.size


def _finding(fit: StringFit, item: str, w: Weighed, about: Spoken, limits: Mapping[str, float], again: bool) -> Finding:
    size, chance = about.scale * abs(_size(w, about)), w.chance[about.cause]
    certain = 1.0 - w.chance[""] if about.cause is Why.CHARGE else chance
    # What a record of that kind would not show of a usual group, it does not show well enough to act on.
    shows = fit.could_show(about.cause, size / about.scale)
    # Where the charge hardly moved, a place that drifts over a step of the curve looks like a group that sinks
    # (engineering choice, made with one simulated vehicle in view; the depth is the one for capacity).
    shows &= about.cause is not Why.LEAK or fit.depth >= DEPTH
    act = size > limits["act"] and shows and again
    others = [f"{WORDS[c]} (chance {w.chance[c]:.2f})" for c in Why if c is not about.cause and w.chance[c] > NOTHING]
    return Finding(
        severity=Severity.SERVICE if act else Severity.NOTE,
        item=f"cell {item}",
        measured=size,
        limit=limits["act" if act else "look"],
        unit=about.unit,
        se=about.scale * (w.stands_se if about.cause is Why.CHARGE else w.se),
        statement=about.sentence(item, w) + f" That is read from {fit.pieces} moments over {fit.days:.0f} days.",
        confidence=min(certain, MOST if shows else HARDLY, 1.0 if again else ONCE),
        persistence=1.0,
        count=fit.pieces,
        duration_s=sum((x.end - x.start) / 1e6 for x in fit.windows),
        windows=fit.windows,
        signals=("cell_voltage", "pack_current", "pack_soc"),
        not_separable=f"Or {'; or '.join(others)}." if others else "",
        unsettled=size > limits["act"] and not (shows and again),
    )
