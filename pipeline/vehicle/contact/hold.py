"""A whole profile held against logs: every check, what was received at all, which rules can judge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from herdbook.pipeline.vehicle.contact.check import Checked, SeenLog, Word, hold, looks_of
from herdbook.pipeline.vehicle.contact.other_packs import (
    OTHER_PACKS,
    checks_of,
    hold_pack,
    not_the_firsts,
    of_pack,
    other_packs,
    own_roles,
)
from herdbook.pipeline.vehicle.contact.view import View
from herdbook.pipeline.vehicle.draft.compare import named_otherwise
from herdbook.pipeline.vehicle.packs import all_of
from herdbook.pipeline.vehicle.profile import Profile

VERSION = 11  # raised by hand when the same logs would give another verdict
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
    return contact_of(profile, [seen(view) for view in views])


def seen(view: View) -> SeenLog:
    """What one log says to every check, by every pack."""
    packs = (view, *view.packs)
    return SeenLog(
        vehicle=view.vehicle,
        known_share=view.known_share,
        heard=frozenset((v.profile.number, role) for v in packs for (role, _), got in v.received.items() if got.known),
        looks={
            (v.profile.number, check.id): looks
            for v in packs
            for check in checks_of(v.profile.number)
            if (looks := looks_of(check, v))
        },
    )


def contact_of(profile: Profile, logs: Sequence[SeenLog]) -> Contact:
    """The verdicts over all logs that were looked at one by one, in whatever process."""
    found = [line for check in checks_of(1) for line in hold(check, profile, logs)] + named_otherwise(profile)
    found += other_packs(profile)
    for pack in profile.others:
        found += hold_pack(pack, logs)
    found = not_the_firsts(found) if profile.others else found
    mapped = {m.role for m in profile.roles} | {m.role + of_pack(p) for p in profile.others for m in own_roles(p)}
    by_number = {p.number: p for p in all_of(profile)}
    heard = {role + of_pack(by_number[number]) for log in logs for number, role in log.heard}
    return Contact(
        profile=profile.name,
        logs=len(logs),
        vehicles=len({log.vehicle for log in logs}),
        checked=tuple(sorted(found, key=lambda c: ORDER.index(c.verdict))),
        silent=tuple(sorted(mapped - heard)),
        mapped=len(mapped),
        known=sum(log.known_share for log in logs) / len(logs) if logs else 0.0,
    )
