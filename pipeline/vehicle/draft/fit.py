"""How well one signal fits one role, 0 to 1: by the concepts of its names, its unit, its range and its words."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

from herdbook.pipeline.vehicle.draft.concepts import concepts, concepts_of, unknown_words, words
from herdbook.pipeline.vehicle.draft.state_words import states_of
from herdbook.pipeline.vehicle.draft.wanted import Wanted
from herdbook.pipeline.vehicle.roles import ROLES, Role
from herdbook.pipeline.vehicle.units import FREE, conversion, kind_of

if TYPE_CHECKING:
    from herdbook.decoders import Message, Signal

MOST_SURE = 0.97  # a name is a name
IN_SIGNAL, IN_MESSAGE, IN_COMMENT = 1.0, 0.92, 0.75  # where a concept was named
WHOLE_COMMENT = 0.88  # a comment that names all the role needs, and nothing that rules it out
TORQUE = 0.78  # stands in for a current only with [drive] torque_nm_per_a, which a person must fill in
LEAST_BITS = 3  # so few bits hold a state, and no measured quantity
NO_UNIT, SIDE_WORD, NO_WORDS = 0.7, 0.55, 0.6
STRANGE, STRAY = 0.94, 0.93  # a word that nobody knows; a concept that the role has nothing to do with
QUANTITY = {"V": "voltage", "A": "current", "degC": "temp", "rpm": "speed", "m/s": "speed"}
HARMLESS = frozenset(
    ["neutral", "voltage", "current", "temp", "speed", "max", "left", "right", "state", "time", "radio"]
)
APART = frozenset({"charger", "motor", "cell"})  # a message about another part makes a signal doubtful
SAID_OTHER = 0.7  # its comment speaks of a limit or of another part than the role's
CODED = 0.8  # a number of a fault, without a table of what each means, may be no word of bits
# Which way a current counts, said in its comment: it says nothing of what the current is.
CHARGE_POSITIVE = re.compile(
    r"charg\w*( current)?( is| =|:)? positive|positive( =| is|:)?( on| while| when| during| for)? charg\w*",
    re.IGNORECASE,
)
SHORT = {"v", "u", "i", "t", "n", "m", "q", "l", "r"}  # letters that only a unit can make a quantity


@dataclass(frozen=True, slots=True)
class Candidate:
    """A signal for a role, and how sure: 0 to 1."""

    role: str
    message: str
    signal: str
    sure: float

    @property
    def name(self) -> str:
        return f"{self.message}.{self.signal}"


def fit(wanted: Wanted, message: Message, signal: Signal) -> float:
    """0 where it cannot be."""
    role = ROLES[wanted.role]
    asked = {c for need in wanted.needs for c in need.split("|")}
    comment = CHARGE_POSITIVE.sub("", signal.comment[:120])
    own, around, said = _concepts(signal.name), concepts(message.name), concepts(comment)
    anywhere = own | around | said
    if any(anywhere.isdisjoint(need.split("|")) for need in wanted.needs):  # most signals, for most roles
        return 0.0
    if _against(signal.name, asked) & wanted.never:
        return 0.0
    if role.name == "throttle" and "throttle" not in anywhere and not signal.unit.strip():
        return 0.0  # a trigger that is a share of its way is a throttle; one that is held or not is none
    sure = SIDE_WORD if _against(message.name, asked) & wanted.never & APART and role.index != "side" else 1.0
    for need in wanted.needs:
        either = set(need.split("|"))
        sure *= next((w for w, c in ((IN_SIGNAL, own), (IN_MESSAGE, around), (IN_COMMENT, said)) if c & either), 0.0)
    if not sure:
        return 0.0
    if _comment_against(wanted, comment, asked, own):
        sure *= SAID_OTHER
    if role.unit == "bits" and "code" in own and not signal.states:
        sure *= CODED
    measured = role.unit not in FREE | {"1"} and signal.unit.strip()
    told = bool(measured) and _told_by_comment(wanted, comment, asked)
    sure = max(sure * STRANGE ** unknown_words(signal.name), WHOLE_COMMENT if told else 0.0)
    sure *= _unit(role, wanted, signal, own | said if told else own)
    stray = [w for w in words(signal.name) if (c := concepts_of(w)) and not c & (asked | HARMLESS)]
    return MOST_SURE * sure * STRAY ** len(stray)


def _told_by_comment(wanted: Wanted, comment: str, asked: set[str]) -> bool:
    """The comment alone says what the signal is; where a unit bears it out, the maker's short forms may be odd."""
    said = _concepts(comment)
    named = all(said & set(need.split("|")) for need in wanted.needs)
    return named and not _against(comment, asked) & wanted.never


def _comment_against(wanted: Wanted, comment: str, asked: set[str], own: frozenset[str]) -> bool:
    """A comment that says limit is believed; another part in it only where the name leaves open which part it is."""
    said = _against(comment, asked) & wanted.never
    named = all(own & set(need.split("|")) for need in wanted.needs)
    return "limit" in said or (bool(said & APART) and not named)


def _against(name: str, asked: set[str]) -> frozenset[str]:
    """Concepts of the words that the role does not ask for."""
    return frozenset().union(*(c for w in words(name) if w not in SHORT and not (c := concepts_of(w)) & asked))


@cache
def _concepts(name: str) -> frozenset[str]:
    """Concepts of a signal's name; lone letters say nothing but c before a number, which counts groups."""
    found: frozenset[str] = frozenset()
    said = words(name)
    if any(a == "c" and b.isdigit() for a, b in pairwise(said)):
        found |= {"cell"}
    for word in said:
        if word not in SHORT or word in ("l", "r", "m", "q"):
            found |= concepts_of(word)
    return found


def _unit(role: Role, wanted: Wanted, signal: Signal, own: frozenset[str]) -> float:
    if role.unit == "state":
        return 0.0 if signal.length > 8 or signal.is_float else 1.0 if len(states_of(role, signal)) >= 2 else NO_WORDS
    if role.unit in ("bits", "id"):
        least = {"bits": 2, "id": 8}[role.unit]
        odd = signal.is_float or signal.length < least or signal.unit.strip() not in ("", "-", "1")
        return 0.0 if odd or signal.scale != 1 else 1.0
    if role.unit == "1":
        return 1.0 if signal.length <= 2 and signal.scale == 1 and not signal.offset else 0.0
    quantity = QUANTITY.get(role.unit)
    if quantity and signal.length <= LEAST_BITS:
        return 0.0
    if not signal.unit.strip():
        named = (
            quantity is None
            or quantity in own
            or any(w in SHORT and quantity in concepts_of(w) for w in words(signal.name))
        )
        return (NO_UNIT if named else NO_UNIT / 2) * _range(wanted, signal, 1.0) if not signal.states else 0.0
    if role.name == "motor_current" and kind_of(signal.unit)[0] == "Nm":
        return TORQUE
    try:
        scale, _ = conversion(role, signal.unit)
    except KeyError:
        return 0.0
    return _range(wanted, signal, scale)


def _range(wanted: Wanted, signal: Signal, scale: float) -> float:
    """Its highest value, as declared or as its bits allow, against what is possible for the role."""
    low, high = signal.raw_range
    most = max(abs(low * signal.scale + signal.offset), abs(high * signal.scale + signal.offset))
    if signal.high is not None and signal.low is not None and signal.high > signal.low:
        most = min(most, max(abs(signal.high), abs(signal.low))) if not signal.is_float else max(abs(signal.high), 0)
    if signal.is_float and not (signal.high and signal.low is not None and signal.high > signal.low):
        return 1.0
    return 1.0 if most * abs(scale) >= wanted.least else 0.0
