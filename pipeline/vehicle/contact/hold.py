"""A whole profile held against logs: every check, what was received at all, which rules can judge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from herdbook.pipeline.vehicle.contact.check import Checked, Word, hold
from herdbook.pipeline.vehicle.contact.checks import all_checks
from herdbook.pipeline.vehicle.contact.other_packs import (
    OTHER_PACKS,
    hold_pack,
    not_the_firsts,
    of_pack,
    other_packs,
    own_roles,
)
from herdbook.pipeline.vehicle.contact.view import View
from herdbook.pipeline.vehicle.draft.compare import named_otherwise
from herdbook.pipeline.vehicle.profile import Profile

VERSION = 10  # raised by hand when the same logs would give another verdict
ORDER = (Word.CONTRADICTED, Word.DOUBTFUL, Word.OPEN, Word.HOLDS)  # in which lines are told


@dataclass(frozen=True, slots=True)
class Contact:
    """What came of holding a profile against logs. silent: roles of which no log had a value. known: share of frames
    whose identifier the DBC files know."""

    profile: str
    logs: int
    vehicles: int
    checked: tuple[Checked, ...]
    silent: tuple[str, ...]
    mapped: int
    known: float

    @property
    def doubts(self) -> dict[str, str]:
        """Why a role is in doubt, by role: only contradictions."""
        return {role: c.reason for c in reversed(self.checked) if c.verdict is Word.CONTRADICTED for role in c.roles}

    @property
    def told(self) -> tuple[Checked, ...]:
        return tuple(c for c in self.checked if c.bad)

    @property
    def settled(self) -> bool:
        """Nothing is left that more logs could answer."""
        open_ones = (c for c in self.checked if c.verdict is Word.OPEN and not c.unmapped)
        return all(c.check == OTHER_PACKS for c in open_ones)


def hold_profile(profile: Profile, views: Sequence[View]) -> Contact:
    """Every check over these logs; the order of the logs does not matter."""
    found = [line for check in all_checks() for line in hold(check, views)] + named_otherwise(profile)
    found += other_packs(profile)
    for number, pack in enumerate(profile.others, start=2):
        found += hold_pack(pack, [view.packs[number - 2] for view in views])
    found = not_the_firsts(found) if profile.others else found
    mapped = {m.role for m in profile.roles} | {m.role + of_pack(p) for p in profile.others for m in own_roles(p)}
    heard = {
        role + of_pack(v.profile)
        for view in views
        for v in (view, *view.packs)
        for (role, _), got in v.received.items()
        if got.known
    }
    return Contact(
        profile=profile.name,
        logs=len(views),
        vehicles=len({v.vehicle for v in views}),
        checked=tuple(sorted(found, key=lambda c: ORDER.index(c.verdict))),
        silent=tuple(sorted(mapped - heard)),
        mapped=len(mapped),
        known=sum(v.known_share for v in views) / len(views) if views else 0.0,
    )
