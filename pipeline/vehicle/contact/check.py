"""A check of a profile against data: what it looks for in a log, what is to be expected, and the verdict over logs.

Every check gives looks: a measured number with its error and the band in which it must lie. A look disagrees only when
measured -+ error lies outside the band as a whole. The verdict is by vehicles, not by samples: one vehicle with a bad
sensor is a bad sensor, most vehicles with the same contradiction are a wrong profile.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from herdbook.pipeline.vehicle.contact.view import View
from herdbook.pipeline.vehicle.profile import Profile

ENDLESS = float("inf")


class Word(StrEnum):
    """A verdict. doubtful is told; contradicted is told and keeps rules from judging."""

    CONTRADICTED = "contradicted"
    DOUBTFUL = "doubtful"
    HOLDS = "holds"
    OPEN = "cannot be told"


@dataclass(frozen=True, slots=True)
class Look:
    """What one log says. item: of a role, or "". error: three standard errors and more. n: moments it rests on.
    said: what was found, in words, where a number is not enough."""

    item: str
    measured: float
    low: float
    high: float
    error: float = 0.0
    n: int = 1
    said: str = ""
    other: float = 0.0  # what it was compared with, for checks that pool

    @property
    def disagrees(self) -> bool:
        return self.measured + self.error < self.low or self.measured - self.error > self.high

    @property
    def agrees(self) -> bool:
        return self.low <= self.measured <= self.high


@dataclass(frozen=True, slots=True)
class Check:
    """tested: what, as a noun phrase. roles: those that a contradiction puts in doubt. contradiction: the words after
    "not assessed:". do: what to look at. severe: False where a contradiction is doubtful at most. best: it disagrees
    only when every log does (at least `least` of them). vehicles: so many must disagree, where a fault of one vehicle
    looks the same as a wrong profile."""

    id: str
    tested: str
    unit: str
    roles: tuple[str, ...]
    look: Callable[[View], Iterable[Look]]
    contradiction: str
    do: str
    severe: bool = True
    best: bool = False
    least: int = 1
    vehicles: int = 1
    figures: tuple[str, ...] = ()  # of the profile, as "drive.gear", without which there is nothing to look at
    needs: tuple[str, ...] = ()  # roles without which there is nothing to look at, where not all of `roles` are needed
    pool: Callable[[list[Look]], list[Look]] | None = None  # looks of one item over all logs to one of the fleet
    of_item: bool = False  # items are names of roles: only that one is put in doubt


@dataclass(frozen=True, slots=True)
class Checked:
    """One line for people. measured: middle of what was found; low, high: what it should lie in."""

    check: str
    item: str
    tested: str
    verdict: Word
    found: str
    reason: str = ""  # for rules that may not judge
    do: str = ""
    roles: tuple[str, ...] = ()
    measured: float | None = None
    low: float = -ENDLESS
    high: float = ENDLESS
    unit: str = ""
    points: tuple[float, ...] = field(default=(), compare=False)  # measured, a log each
    unmapped: bool = False  # open because the profile maps no such role: logs cannot change that

    @property
    def bad(self) -> bool:
        return self.verdict in (Word.CONTRADICTED, Word.DOUBTFUL)


@dataclass(frozen=True, slots=True)
class SeenLog:
    """What one log says to every check: plain data, a thousandth of the log. known_share: of its frames. heard: roles
    that have a value in it, by the pack's number. looks: by the pack's number and the check's id; none of a check for
    which there was nothing to look at."""

    vehicle: str
    known_share: float
    heard: frozenset[tuple[int, str]]
    looks: Mapping[tuple[int, str], tuple[Look, ...]]


def looks_of(check: Check, view: View) -> tuple[Look, ...]:
    """What one log says; nothing where it lacks what the check needs."""
    return tuple(check.look(view)) if view.t.size and view.has(*(check.needs or check.roles)) else ()


def hold(check: Check, profile: Profile, logs: Sequence[SeenLog]) -> list[Checked]:
    """The verdict of one check over all logs, an item a line; one open line where there was nothing to look at.
    profile: of the pack that is looked at."""
    looks: dict[str, list[tuple[str, Look]]] = defaultdict(list)  # by item, with the vehicle
    for log in logs:
        for look in log.looks.get((profile.number, check.id), ()):
            looks[look.item].append((log.vehicle, look))
    if check.pool:
        pooled = {item: check.pool([look for _, look in some]) for item, some in looks.items()}
        looks = {item: [("all logs", look) for look in some] for item, some in pooled.items() if some}
    if not looks:
        mapped = {m.role for m in profile.roles} if logs else set()
        lacking = [role for role in check.needs or check.roles if role not in mapped]
        why = _why_open(lacking, _not_given(check, profile) if logs else [])
        return [Checked(check.id, "", check.tested, Word.OPEN, why, unmapped=bool(lacking))]
    return [_verdict(check, item, some) for item, some in sorted(looks.items())]


def _not_given(check: Check, profile: Profile) -> list[str]:
    """Figures that the check needs and the profile does not give, as they are written there."""
    wanted = [figure.split(".") for figure in check.figures]
    return [f"[{table}] {key}" for table, key in wanted if key not in getattr(profile, table)]


def _why_open(roles: Sequence[str], figures: Sequence[str]) -> str:
    if not roles and not figures:
        return "no log has enough of it"
    maps = [f"maps no {', '.join(roles)}"] if roles else []
    gives = [f"gives no {', '.join(figures)}"] if figures else []
    return f"the profile {' and '.join(maps + gives)}"


def _verdict(check: Check, item: str, looks: Sequence[tuple[str, Look]]) -> Checked:
    by_vehicle: dict[str, list[Look]] = defaultdict(list)
    for vehicle, look in looks:
        by_vehicle[vehicle].append(look)
    against = [v for v, some in by_vehicle.items() if _against(check, some)]
    with_it = [v for v, some in by_vehicle.items() if v not in against and _for(check, some)]
    ranked = sorted((look for _, look in looks), key=lambda x: x.measured)
    middle = ranked[len(ranked) // 2]
    most = len(against) > len(with_it) and len(looks) >= check.least
    if most and len(against) >= check.vehicles:
        verdict = Word.CONTRADICTED if check.severe else Word.DOUBTFUL
        worst = [look for v in against for look in by_vehicle[v] if look.disagrees]
        middle = sorted(worst, key=lambda x: x.measured)[len(worst) // 2]
    else:
        verdict = Word.HOLDS if with_it and not most else Word.OPEN
    roles = (item,) if check.of_item else check.roles
    bad = verdict in (Word.CONTRADICTED, Word.DOUBTFUL)
    return Checked(
        check=check.id,
        item=item,
        tested=check.tested,
        verdict=verdict,
        found=_found(check, middle, against, by_vehicle, bad),
        reason=check.contradiction.format(item=item, measured=number(middle.measured)) if bad else "",
        do=check.do.format(item=item) if bad else "",
        roles=roles if bad else (),
        measured=middle.measured,
        low=middle.low,
        high=middle.high,
        unit=check.unit,
        points=tuple(look.measured for _, look in looks),
    )


def _against(check: Check, looks: Sequence[Look]) -> bool:
    n = sum(look.disagrees for look in looks)
    return n == len(looks) if check.best else n > sum(look.agrees for look in looks)


def _for(check: Check, looks: Sequence[Look]) -> bool:
    return any(look.agrees for look in looks)


def _found(check: Check, look: Look, against: Sequence[str], of: dict[str, list[Look]], bad: bool) -> str:
    said, expected = look.said, ""
    if not said and check.unit == "share":
        said, bound = f"{look.measured:.0%} of the moments", look.high if look.low == 0 else look.low
        expected = f"; expected {'at most' if look.low == 0 else 'at least'} {bound:.0%}"
    elif not said:
        said, expected = measure(number(look.measured), check.unit), f"; expected {between(look.low, look.high)}"
    some = ""
    if against and not bad:
        theirs = "a fault of its own" if len(against) == 1 else "faults of their own"
        more = f" and {len(against) - 3} more" if len(against) > 3 else ""
        named = f"{', '.join(sorted(against)[:3])}{more}"
        some = f"; {len(against)} of {len(of)} vehicles, perhaps with {theirs}: {named}"
    elif bad and len(of) > 1:
        some = f"; {len(against)} of {len(of)} vehicles"
    return f"{said}{expected}{some}"


def number(value: float) -> str:
    """Three digits that count, without an exponent."""
    text = f"{value:.3g}"
    return f"{value:.0f}" if "e" in text and abs(value) >= 1 else f"{value:.6f}".rstrip("0") if "e" in text else text


SIGNS = {"mOhm": "mΩ", "degC": "°C"}  # units as people read them


def measure(text: str, unit: str) -> str:
    """A number with its unit; a ratio, "times the figure", is written with its sign."""
    unit = SIGNS.get(unit, unit)
    times, _, what = unit.partition(" ")
    if times == "times":
        return f"{text} × {what}" if what else f"a ratio of {text}"
    return f"{text} {unit}".rstrip()


def between(low: float, high: float) -> str:
    if low == -ENDLESS:
        return f"at most {number(high)}"
    if high == ENDLESS:
        return f"at least {number(low)}"
    return f"{number(low)} to {number(high)}"
