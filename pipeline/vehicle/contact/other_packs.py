"""Packs side by side of which one is mapped: no log can say anything of the others, and each look at a log says so."""

from __future__ import annotations

from herdbook.pipeline.vehicle.contact.check import Checked, Word
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.profile_checks import OTHER_PACK, others

OTHER_PACKS = "other_packs"  # the check's id; pages find it by this


def other_packs(profile: Profile) -> list[Checked]:
    """One open line where the profile says that there are more packs than the mapped one; else none."""
    packs = profile.pack_figures.packs
    if packs < 2:
        return []
    found = f"the pack that the profile maps is judged; {others(packs)} not"
    tested = f"all {packs} packs side by side are judged"
    return [Checked(OTHER_PACKS, "", tested, Word.OPEN, found, reason=found, do=OTHER_PACK)]
