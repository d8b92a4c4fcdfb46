"""Packs side by side of which not all are mapped: no log can say anything of the rest, and each look says so."""

from __future__ import annotations

from herdbook.pipeline.vehicle.contact.check import Checked, Word
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.profile_checks import OTHER_PACK, judged

OTHER_PACKS = "other_packs"  # the check's id; pages find it by this


def other_packs(profile: Profile) -> list[Checked]:
    """One open line where the profile says that there are more packs than are mapped; else none."""
    packs, mapped = profile.pack_figures.packs, 1 + len(profile.others)
    if packs <= mapped:
        return []
    found = judged(packs, mapped)
    tested = f"all {packs} packs side by side are judged"
    return [Checked(OTHER_PACKS, "", tested, Word.OPEN, found, reason=found, do=OTHER_PACK)]
