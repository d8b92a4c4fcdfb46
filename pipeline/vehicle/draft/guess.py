"""The roles of a vehicle out of its DBC files: each guess with how sure it is, and who else might be meant."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from herdbook.pipeline.vehicle.draft.concepts import words
from herdbook.pipeline.vehicle.draft.families import Family, counted, sided
from herdbook.pipeline.vehicle.draft.fit import Candidate, fit
from herdbook.pipeline.vehicle.draft.wanted import COUNTED, SIDED, WANTED
from herdbook.pipeline.vehicle.roles import ROLES

if TYPE_CHECKING:
    from herdbook.decoders import Message

CERTAIN = 0.8  # a guess under this is left commented out
RIVAL = 0.93  # a runner-up this near makes both uncertain
DOUBTED = 0.7  # by so much
MOST_RIVALS = 3
WORTH = 0.5  # a rival by name that is at least so sure
LARGE = {"trac", "traction", "hv", "hvb", "hvbat", "hvbatt"}  # words of a battery that drives


@dataclass(frozen=True, slots=True)
class Guess:
    """family: its members. rivals: other signals that might be meant, the nearest first."""

    family: Family
    rivals: tuple[Candidate, ...] = ()

    @property
    def role(self) -> str:
        return self.family.role

    @property
    def sure(self) -> float:
        return self.family.sure

    @property
    def certain(self) -> bool:
        return self.sure >= CERTAIN


def guesses(messages: Sequence[Message]) -> list[Guess]:
    """At most one a role, in the order of ROLES. No signal plays two roles: the surer one has it."""
    offers: list[list[Family]] = [counted(w, messages) for w in COUNTED] + [sided(w, messages) for w in SIDED]
    for wanted in WANTED:
        fits = [
            Family(wanted.role, ((m.name, s.name),), sure)
            for m in messages
            for s in m.signals
            if not s.selector and (sure := fit(wanted, m, s))
        ]
        offers.append(sorted(fits, key=lambda f: (-f.sure, f.members)))
    taken: dict[tuple[str, str], str] = {}
    found: dict[str, Guess] = {}
    for family in sorted((f for some in offers for f in some), key=_weight):
        if family.role in found or any(member in taken for member in family.members):
            continue
        rivals = _rivals(family, next(some for some in offers if some and some[0].role == family.role), taken)
        near = [r for r in rivals if r.sure >= RIVAL * family.sure or _is_the_large_one(r, family)]
        sure = family.sure * (DOUBTED if near else 1.0)
        found[family.role] = Guess(Family(family.role, family.members, round(sure, 2), family.sides), rivals)
        taken.update(dict.fromkeys(family.members, family.role))
    return [found[role] for role in ROLES if role in found]


def _is_the_large_one(rival: Candidate, best: Family) -> bool:
    """Of two batteries in one vehicle the one that drives it is meant, and not the one of the lamps."""
    names = [f"{m}.{s}" for m, s in best.members]
    mine = any(LARGE & set(words(name)) for name in names)
    return rival.role.startswith("pack_") and rival.sure >= WORTH and bool(LARGE & set(words(rival.name))) and not mine


def _weight(family: Family) -> tuple[float, int, str, tuple[tuple[str, str], ...]]:
    return -family.sure, -len(family.members), family.role, family.members


def _rivals(best: Family, others: Sequence[Family], taken: dict[tuple[str, str], str]) -> tuple[Candidate, ...]:
    """One signal of each other family, not those that play another role already."""
    left = [f for f in others if not set(f.members) & set(best.members) and not any(m in taken for m in f.members)]
    return tuple(Candidate(f.role, *f.members[0], round(f.sure, 2)) for f in left[:MOST_RIVALS])
