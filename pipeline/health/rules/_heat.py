"""What the heat rules share: cautions, and the fleet's heat ratio or the reason why there is none."""

from __future__ import annotations

from pipeline.health.evidence import Reference, reference
from pipeline.health.model import Record

PACK_CAUTION = (
    "A pack that heats without cause can burn. Stop using and charging it on odour, smoke, leak, swelling or "
    "growing "
    "heat; keep away from it and call the fire service.",
    "Do not open a pack: its energy cannot be switched off. Work on it is for licensed people; damaged "
    "lithium packs "
    "have their own transport rules. Local rules come first.",
    "A nightly look at logs is no alarm: it cannot replace the protection in the vehicle.",
)
DRIVE_CAUTION = (
    "Motor cans and heat sinks at 70 degC are within their limits and can still burn skin: let them cool "
    "first.",
    "Power off and secure the vehicle before touching the drive; local rules come first.",
)
UNFITTED_SPREAD = 0.25  # between vehicles, when only the profile's own figures are known: engineering choice


def expected_ratio(record: Record, name: str, figures: tuple[tuple[str, str], ...]) -> Reference | None:
    """The fleet's ratio of measured to explained rise; else 1 with a wide spread when the profile has
    `figures` (table, key); else None: there is nothing to compare with."""
    fitted = reference(record, name)
    if fitted is not None:
        return fitted
    tables = {"pack": record.profile.pack, "drive": record.profile.drive}
    if all(isinstance(tables[table].get(key), int | float) for table, key in figures):
        return Reference(1.0, UNFITTED_SPREAD, 0)
    return None
