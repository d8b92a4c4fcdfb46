"""A profile against the names in its DBC files: a signal that is named like another role is told, not refused."""

from __future__ import annotations

from herdbook.pipeline.vehicle.contact.check import Checked, Word
from herdbook.pipeline.vehicle.draft.guess import CERTAIN, guesses
from herdbook.pipeline.vehicle.profile import Profile

CROSSED = 0.45  # how sure a name must be where two roles have exchanged names
TESTED = "signals are named like the roles they play"


def named_otherwise(profile: Profile) -> list[Checked]:
    """One doubtful line for every signal that is named like another role or the other side; one that holds where none
    is."""
    named: dict[tuple[str, str], tuple[str, str, float]] = {}
    for guess in guesses(profile.network().messages):
        sides = guess.family.sides or ("",) * len(guess.family.members)
        if guess.sure >= CROSSED:
            named |= {m: (guess.role, side, guess.sure) for m, side in zip(guess.family.members, sides, strict=True)}
    plays = {(m.message, m.signal): m.role for m in profile.roles}
    crossed = {(plays[m], role) for m, (role, _, _) in named.items() if m in plays and plays[m] != role}
    found: dict[str, Checked] = {}
    for mapping in profile.roles:
        if mapping.formula is not None or (mapping.message, mapping.signal) not in named:
            continue
        role, side, sure = named[mapping.message, mapping.signal]
        if sure < CERTAIN and (role, mapping.role) not in crossed:
            continue  # a weak name counts only where two roles point at each other
        other = f"{role}[{side}]" if side else role
        if role != mapping.role or (side and mapping.item in ("left", "right") and side != mapping.item):
            mine = f"{mapping.role}[{mapping.item}]" if side and role == mapping.role else mapping.role
            said = f"{mapping.words} plays {mine}, and is named like {other} ({sure:.0%} sure)"
            found[f"{mapping.role} {role}"] = _line(mapping.role, said)
    return list(found.values()) or [Checked("names", "", TESTED, Word.HOLDS, "none is named like another role")]


def _line(role: str, said: str) -> Checked:
    return Checked(
        check="names",
        item=role,
        tested=TESTED,
        verdict=Word.DOUBTFUL,
        found=said,
        reason=f"a signal of {role} is named like another role",
        do="Look whether two roles are exchanged; where the name misleads, nothing is to be done",
        roles=(role,),
    )
