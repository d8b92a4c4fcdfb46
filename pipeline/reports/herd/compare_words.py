"""A comparison of two sides in sentences and rows, the same on the terminal and on the page."""

from __future__ import annotations

from collections.abc import Iterator

from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.herd.compare import Compared, Comparison
from herdbook.pipeline.herd.repair_worked import MOST_MORE, Worked
from herdbook.pipeline.herd.two_sides import TwoSides
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.science.two_levels import OWN_SCATTER

USE_HEAD = ("side", "in", "sessions", "hours", "km", "air, °C")
MOST_ASKED = 8  # of the figures a repair is about, on a terminal
MOST_FIGURES = 20  # listed of those that nobody asked about
HOW = (
    "Each level is the mean over its sessions, with the scatter between them in its error; sessions are taken as "
    "independent. “By chance alone” is held to all figures compared: under 5 % counts as a difference."
)


def title(two: TwoSides) -> str:
    first, second = two.found.sides
    if two.from_t is None:
        return f"{first.vehicle} beside {second.vehicle}"
    if two.entry is None:
        return f"{first.vehicle} before and after {two.at}"
    return f"{first.vehicle} before and after the entry no. {two.entry.entry}, {two.entry.kind}, of {two.entry.when}"


def figure_words(f: Compared) -> str:
    """What a figure is, with the group, side or sensor it belongs to."""
    words = names.figure_words(f.name)
    return f"{words}: {f.item.replace('degC', '°C')}" if f.item else words


def figure_head(found: Comparison) -> tuple[str, ...]:
    first, second = (side.title for side in found.sides)
    return "figure", "in", "sessions", first, second, "change (95 %)", "by chance alone"


def figure_row(f: Compared) -> tuple[str, ...]:
    """As figure_head()."""
    d = f.difference
    assert d is not None  # compare() keeps no other
    change = numbers.amount(d.rise, f.unit)
    if d.low is not None and d.high is not None:
        change += f" ({numbers.number(d.low)} to {numbers.number(d.high)})"
    many = f"{f.first.values.size} and {f.second.values.size}"
    levels = (numbers.amount(level, f.unit) for level in (d.first, d.second))
    return figure_words(f), f.kind, many, *levels, change, chance(f.adjusted)


def chance(p: float) -> str:
    """A probability as a person reads it."""
    if p >= 0.1:
        return f"{100 * p:.0f} %"
    return f"{100 * p:.2g} %" if p >= 0.0001 else "under 0.01 %"


def use_rows(found: Comparison) -> list[tuple[str, ...]]:
    """As USE_HEAD."""
    return [
        (
            side.title,
            row["kind"],
            str(row["sessions"]),
            numbers.number(row["hours"]),
            numbers.number(row["km"]) if row["km"] else "",
            numbers.number(row["air_c"]) if row["air_c"] is not None else "",
        )
        for side, use in zip(found.sides, found.uses, strict=True)
        for row in use
    ]


def asked_about(found: Comparison) -> list[Compared]:
    return [f for f in found.figures if f.asked]


def not_shown(found: Comparison) -> str:
    """Of what was asked about, how many figures a terminal leaves out; "" where none."""
    left = len(asked_about(found)) - MOST_ASKED
    return f"{numbers.plural(left, 'further figure')} of it: --out FILE or --json." if left > 0 else ""


def others(found: Comparison) -> list[Compared]:
    """The figures nobody asked about: all that differ, else the three nearest, none that is all chance."""
    rest = [f for f in found.figures if not f.asked]
    return [f for f in rest if f.differs][:MOST_FIGURES] or [f for f in rest if f.adjusted < 1][:3]


def sentences(two: TwoSides) -> Iterator[str]:
    """What there is to say before any table."""
    found = two.found
    for side in found.empty():
        where = f"of {side.vehicle}" if two.from_t is None else f"of {side.vehicle} {side.title} it"
        yield f"Nothing is recorded {where}: no side to compare with."
    if two.between:
        some = numbers.plural(two.between, "session")
        verb = "is" if two.between == 1 else "are"
        yield f"{some} of that day {verb} on neither side, as no minute is given."
    if two.other_type:
        types = " and ".join(two.other_type)
        yield f"They are of different types ({types}): a difference may be the type's."
    for w in two.repairs:
        yield from repair_sentences(w)
    if two.entry is not None and not two.repairs:
        what = "names no finding" if not two.entry.rule else f"names {two.entry.rule}, which no rule here is called"
        yield f"The entry {what}: whether it worked is not asked, only what changed."
    if not found.empty():
        yield from summary(two)


def summary(two: TwoSides) -> Iterator[str]:
    found = two.found
    yield from thin(two)
    rest = [f for f in found.figures if not f.asked]
    many = len([f for f in rest if f.differs])
    compared = numbers.plural(len(rest), "other figure" if two.repairs else "figure")
    said = "none differs by more than chance may give" if not many else f"{many} {'differs' if many == 1 else 'differ'}"
    yield f"{compared} compared: {said}." if rest else "No other figure stands on both sides in enough sessions."
    if found.too_few:
        stand = "stands" if found.too_few == 1 else "stand"
        figures = numbers.plural(found.too_few, "figure")
        yield f"{figures} {stand} in one session on either side: how much it scatters is not known, so nothing is said."
    if found.only:
        for side in found.sides:
            of_it = sorted({names.figure_words(name) for _, name, title in found.only if title == side.title})
            if of_it:
                more = f" and {len(of_it) - 3} more" if len(of_it) > 3 else ""
                yield f"Recorded on one side alone ({side.title}): {', '.join(of_it[:3])}{more}."


def thin(two: TwoSides) -> Iterator[str]:
    """Which side has so few sessions that they hardly tell their own scatter."""
    for side, use in zip(two.found.sides, two.found.uses, strict=True):
        count = sum(row["sessions"] for row in use)
        if 0 < count < OWN_SCATTER:
            where = f"of {side.vehicle}" if two.from_t is None else f"{side.title} it"
            some = numbers.plural(count, "session")
            yield f"Little is recorded {where}: {some}. Only a large change would show."


def repair_sentences(w: Worked) -> Iterator[str]:
    """Did it work, how certain is that, and what would make it certain."""
    name = f"“{w.rule.title}”" + (f" ({w.item})" if w.item else "")
    if w.before is None:
        yield f"Whether it mended {name} cannot be said: {w.why_not_before.rstrip('.')}."
        if w.after is not None:
            yield f"The record after it shows it: {w.after.statement}"
        return
    yield f"Before it: {w.before.statement}"
    if w.after is not None:
        yield f"It did not mend {name}, or not wholly. After it, as a {w.after.severity} finding: {w.after.statement}"
        return
    showed = f"{name} showed in {w.showed} of {_sessions(w, w.could)} before it"
    if w.chance is None or not w.could_after:
        why = w.refused or f"after it no {_sessions(w, 1)[2:]} is recorded"
        yield f"Whether it mended {name} cannot be said yet: {names.reason(why)}. {showed[0].upper()}{showed[1:]}."
    else:
        sure = "It worked, by the record" if w.certain else "It may have worked"
        yield (
            f"{sure}: {showed}, and in none of {w.could_after} after it. Had nothing changed, so quiet a record would "
            f"come by chance in {chance(w.chance)}."
        )
    yield from _what_ride(w)
    if w.before.severity is Severity.STOP_USE:
        yield "A quiet record is no inspection: whether it may be used again, a qualified person decides."


def _sessions(w: Worked, count: int) -> str:
    """3 rides; sessions where it showed in several kinds of them."""
    return numbers.plural(count, w.kinds[0] if len(w.kinds) == 1 else "session")


def _what_ride(w: Worked) -> Iterator[str]:
    if w.certain:
        return
    if w.more is None:
        yield f"It showed too seldom before: even {MOST_MORE} more sessions without it would not make that certain."
    elif w.more:
        yield f"To be certain (under 5 %): {_sessions(w, w.more)} more without it."
    yield f"What such a session needs, so that the rule can judge: {w.habit}."


def more_words(f: Compared) -> str:
    """What would make a difference of a figure that was asked about sure."""
    if f.differs:
        return "differs"
    if not f.more:
        return "not alone" if f.more == 0 else f"over {MOST_MORE} sessions more"
    return f"{numbers.plural(f.more, 'session')} more"
