"""A comparison of two sides in sentences and rows, the same on the terminal and on the page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.herd.compare import Compared, Comparison, Side
from herdbook.pipeline.herd.repair_worked import MOST_MORE, Worked
from herdbook.pipeline.herd.two_sides import TwoSides
from herdbook.pipeline.reports.words import names, numbers
from herdbook.pipeline.science.two_levels import OWN_SCATTER

USE_HEAD = ("side", "in", "sessions", "hours", "km", "air, °C")
FIRST = 4  # figures that come before everything else
MOST_ASKED = 8  # of the figures asked about, in a table that is not folded
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


def asked_title(two: TwoSides) -> str:
    if not two.about:
        return "Figures that the repair is about"
    return f"Figures of {about(two)}" + (", and what the repair is about" if two.repairs else "")


def about(two: TwoSides) -> str:
    """What was asked about beforehand: a rule by its title, a figure in words."""
    return f"“{names.figure_words(two.about) if two.about.islower() and ' ' not in two.about else two.about}”"


def rest_title(found: Comparison) -> str:
    differing = sum(f.differs for f in found.figures if not f.asked)
    if not differing:
        return "The figures nearest to a difference"
    left = f"; {MOST_FIGURES} of {differing}" if differing > MOST_FIGURES else ""
    return f"Figures that differ, the surest first{left}"


@dataclass(frozen=True, slots=True)
class Shown:
    """A figure in the place that shows it most, and the other places (groups, sensors, sides) it is listed for."""

    figure: Compared
    places: tuple[str, ...]

    @property
    def title(self) -> str:
        f = self.figure
        return f"{figure_words(f)}, in {f.first.values.size} and {_counted(f.kind, f.second.values.size)}"

    @property
    def lines(self) -> Iterator[str]:
        f = self.figure
        _, _, _, first, second, change, by_chance = figure_row(f)
        yield f"{first} and {second}: {change}; by chance alone in {by_chance}"
        if f.asked and (more := more_words(f)) not in ("differs", ""):
            yield f"to be sure: {more}"
        if self.places:
            some = ", ".join(self.places[:4])
            left = len(self.places) - 4
            yield f"as well: {some} and {left} more" if left > 0 else f"as well: {some}"


def shown(figures: Sequence[Compared]) -> list[Shown]:
    """One entry a figure and kind of session, in the order given."""
    of: dict[tuple[str, str], list[Compared]] = {}
    for f in figures:
        of.setdefault((f.kind, f.name), []).append(f)
    return [
        Shown(first, tuple(f.item.replace("degC", "°C") or "as a whole" for f in more)) for first, *more in of.values()
    ]


def others(found: Comparison) -> list[Compared]:
    """The figures nobody asked about: the surest that differ, else the three nearest, none that is all chance."""
    rest = [f for f in found.figures if not f.asked]
    return [f for f in rest if f.differs][:MOST_FIGURES] or [f for f in rest if f.adjusted < 1][:3]


def sentences(two: TwoSides) -> Iterator[str]:
    """All there is to say in sentences."""
    yield from lead(two)
    yield from beside(two)


def lead(two: TwoSides) -> Iterator[str]:
    """What can be said, how sure that is, and which ride would make it certain: before everything else."""
    found = two.found
    for side in found.empty():
        where = f"of {side.vehicle}" if two.from_t is None else f"of {side.vehicle} {side.title} it"
        yield f"Nothing is recorded {where}: no side to compare with."
    for w in two.repairs:
        yield from repair_sentences(w)
    if two.entry is not None and not two.repairs:
        what = "names no finding" if not two.entry.rule else f"names {two.entry.rule}, which no rule here is called"
        yield f"The entry {what}: whether it worked is not asked, only what changed."
    if not found.empty():
        yield from _asked_sentences(two)
        yield from _summary(two)
        yield from thin(two)


def _asked_sentences(two: TwoSides) -> Iterator[str]:
    """Of what was asked about beforehand by --about."""
    if not two.about:
        return
    asked = asked_about(two.found)
    if not asked:
        yield f"Nothing of {about(two)} stands on both sides in enough sessions: nothing can be said of it."
        return
    many = sum(f.differs for f in asked)
    some = numbers.plural(len(asked), "figure")
    said = f"{many} {'differs' if many == 1 else 'differ'}" if many else "none differs by more than chance may give"
    yield f"{some} asked about: {said}."
    waits = [f for f in asked if not f.differs and f.more]
    if not many and waits:
        least = min(waits, key=lambda f: f.more or 0)
        more = f"{_counted(least.kind, least.more or 0, 'more')} {_where(two, two.found.sides[1])}"
        yield f"If it stays as it is, “{figure_words(least)}” is certain with about {more}."


def _summary(two: TwoSides) -> Iterator[str]:
    found = two.found
    rest = [f for f in found.figures if not f.asked]
    many = len([f for f in rest if f.differs])
    compared = numbers.plural(len(rest), "other figure" if asked_about(found) else "figure")
    said = "none differs by more than chance may give" if not many else f"{many} {'differs' if many == 1 else 'differ'}"
    if rest:
        yield f"{compared} compared: {said}."
    elif asked_about(found):
        yield "No other figure stands on both sides in enough sessions."
    else:
        yield from _one_each(found)
    if two.nearest is not None and not many and not two.repairs and not two.about:
        yield from _nearest_sentences(two, len(rest))


def _one_each(found: Comparison) -> Iterator[str]:
    """Nothing can be compared: what more would do."""
    first, second = ({row["kind"] for row in use} for use in found.uses)
    kinds = sorted(first & second)
    if not kinds:
        has = [f"{side.title} {', '.join(sorted(of))}" for side, of in zip(found.sides, (first, second), strict=True)]
        yield f"No kind of session stands on both sides ({'; '.join(has)}): nothing can be compared."
        return
    yield (
        "No figure stands on both sides in enough sessions: nothing can be said yet. It takes three of one "
        f"kind, two of them on one side: one {' or one '.join(kinds)} more."
    )


def _nearest_sentences(two: TwoSides, compared: int) -> Iterator[str]:
    """Which session would make the nearest difference certain."""
    near = two.nearest
    assert near is not None
    f = near.figure
    change = figure_row(f)[5]
    yield f"The nearest to a difference: {figure_words(f)}, {change}."
    where = _where(two, near.side)
    if near.more is not None:
        yield f"If it stays so, about {_counted(f.kind, max(near.more, 1), 'more')} {where} would make it certain."
    else:
        few = "" if two.from_t is None else f" with {_counted(f.kind, f.first.values.size)} before it"
        yield (
            f"Among {compared:,} figures no {_counted(f.kind, MOST_MORE, 'more')} {where} would make it certain{few}. "
            "Say what you look for before you look (--about RULE, or a figure): among few figures fewer are enough."
        )


def _where(two: TwoSides, side: Side) -> str:
    return f"of {side.vehicle}" if two.from_t is None else f"{side.title} it"


def _counted(kind: str, count: int, more: str = "") -> str:
    """3 rides more; a session without a name of its own is a session."""
    return " ".join(filter(None, [numbers.plural(count, kind or "session"), more]))


def beside(two: TwoSides) -> Iterator[str]:
    """What is worth knowing after the figures."""
    found = two.found
    if two.between:
        some = numbers.plural(two.between, "session")
        verb = "is" if two.between == 1 else "are"
        yield f"{some} of that day {verb} on neither side, as no minute is given."
    if two.other_type:
        types = " and ".join(two.other_type)
        yield f"They are of different types ({types}): a difference may be the type's."
    if found.empty():
        return
    if found.too_few:
        stand = "stands" if found.too_few == 1 else "stand"
        figures = numbers.plural(found.too_few, "figure")
        yield f"{figures} {stand} in one session on either side: how much it scatters is not known, so nothing is said."
    for side in found.sides if found.only else ():
        of_it = sorted({names.figure_words(name) for _, name, title in found.only if title == side.title})
        if of_it:
            more = f" and {len(of_it) - 3} more" if len(of_it) > 3 else ""
            yield f"Recorded on one side alone ({side.title}): {', '.join(of_it[:3])}{more}."


def thin(two: TwoSides) -> Iterator[str]:
    """Which side has so few sessions that they hardly tell their own scatter."""
    for side, use in zip(two.found.sides, two.found.uses, strict=True):
        count = sum(row["sessions"] for row in use)
        if 0 < count < OWN_SCATTER:
            some = numbers.plural(count, "session")
            yield f"Little is recorded {_where(two, side)}: {some}. Only a large change would show."


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
    return f"over {MOST_MORE} sessions more" if f.more is None else f"{_counted(f.kind, max(f.more, 1), 'more')}"
