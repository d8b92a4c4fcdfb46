"""Packs side by side held against logs: each further one by the checks of a pack; a line says so where there are more
than are mapped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from herdbook.pipeline.vehicle.contact.check import Check, Checked, SeenLog, Word, hold
from herdbook.pipeline.vehicle.contact.checks import all_checks
from herdbook.pipeline.vehicle.draft.compare import named_otherwise
from herdbook.pipeline.vehicle.packs import PACK_ROLES, item_of, marked, unmarked
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.profile_checks import OTHER_PACK, judged
from herdbook.pipeline.vehicle.role_table import Mapping

OTHER_PACKS = "other_packs"  # the check's id; pages find it by this
# What joins a pack's current and the drive or charger looks at the sum over all packs, with the first.
TOTALS = ("pack_current", "pack_voltage")
JOINED = ("regen_back", "charging_current", "motor_power", "energy_per_km", "motor_forward")


def other_packs(profile: Profile) -> list[Checked]:
    """One open line where the profile says that there are more packs than are mapped; else none."""
    packs, mapped = profile.pack_figures.packs, 1 + len(profile.others)
    if packs <= mapped:
        return []
    found = judged(packs, mapped)
    tested = f"all {packs} packs side by side are judged"
    return [Checked(OTHER_PACKS, "", tested, Word.OPEN, found, reason=found, do=OTHER_PACK)]


def checks_of(number: int) -> list[Check]:
    """The checks that a log is held against, by the pack's number: a further pack's own signals alone."""
    if number == 1:
        return list(all_checks())
    return [c for c in all_checks() if c.id not in JOINED and (c.of_item or {*c.roles, *c.needs} & {*PACK_ROLES})]


def hold_pack(profile: Profile, logs: Sequence[SeenLog]) -> list[Checked]:
    """The checks of a further pack's own signals; each line names the pack."""
    asked = checks_of(profile.number)
    found = [
        line for check in asked for line in hold(check, profile, logs) if not check.of_item or line.item in PACK_ROLES
    ]
    found += [line for line in named_otherwise(profile) if line.item in PACK_ROLES]
    return [_of_pack(line, profile.number) for line in found]


def _of_pack(line: Checked, number: int) -> Checked:
    return replace(
        line,
        item=item_of(number, line.item),
        reason=f"pack {number}: {line.reason}" if line.reason else "",
        roles=tuple(marked(number, role) for role in line.roles if role in PACK_ROLES),
    )


def not_the_firsts(lines: list[Checked]) -> list[Checked]:
    """Where a further pack's own current is contradicted, so is what all packs give together: told, but no word
    against the first's."""
    wrong = {role for c in lines if c.verdict is Word.CONTRADICTED for role in c.roles}
    if not any(unmarked(role)[0] > 1 and unmarked(role)[1] in TOTALS for role in wrong):
        return lines
    joined = [c.check in JOINED and c.verdict is Word.CONTRADICTED for c in lines]
    return [replace(c, verdict=Word.DOUBTFUL) if one else c for c, one in zip(lines, joined, strict=True)]


def own_roles(profile: Profile) -> Iterator[Mapping]:
    """The mappings that are of the pack itself."""
    return (m for m in profile.roles if m.role in PACK_ROLES)


def of_pack(profile: Profile) -> str:
    """What is added to a role's name in lists: nothing for the first pack."""
    return "" if profile.number == 1 else f" of pack {profile.number}"
