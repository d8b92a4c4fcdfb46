"""Which motors a vehicle has in the record, and whether they are all of them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.roles import ONLY, ORDINALS
from herdbook.pipeline.vehicle.signals import Signals

PAIRS = ({"left", "right"}, {"front", "rear"})


def motors_of(signals: Signals, count: float | None = None) -> list[str]:
    """Names of all motors that have a speed or a current, in order; of a pair always both, unless the vehicle has no
    more than `count` motors (the profile's) and so many were found: one motor may be called the left one."""
    found = {str(item) for role in ("motor_speed", "motor_current") for item in signals.items(role)}
    for pair in () if count == len(found) else PAIRS:
        found |= pair if found & pair or (not found and "left" in pair) else set()
    return sorted(found, key=lambda name: (ORDINALS.index(name) if name in ORDINALS else -1, name))


def total_current(amps: Mapping[str, Floats], profile: Profile) -> Floats:
    """Torque current of all motors together [A]; NaN where one is missing, or where the profile counts more of them."""
    names, said = set(amps), profile.drive_figures.motors
    whole = len(names) == said if said is not None else names in ({ONLY}, *PAIRS) or names <= set(ORDINALS)
    total = np.sum(list(amps.values()), axis=0)
    return total if whole else np.full(np.shape(total), np.nan)
