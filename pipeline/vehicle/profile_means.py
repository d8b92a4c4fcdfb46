"""What a profile means, as a hash: two texts that mean the same measure and judge the same."""

from __future__ import annotations

import hashlib

from herdbook.pipeline.vehicle.chemistry import OWN, named_chemistry
from herdbook.pipeline.vehicle.profile import Profile


def measures_by(profile: Profile) -> str:
    """SHA-256 of all that sessions and metrics take from a profile; comments, limits and identity are no part of it."""
    return _digest(
        profile.name,
        sorted(profile.vehicle.items()),
        _pack(profile),
        sorted(profile.drive.items()),
        [(channel, path.name) for channel, path in profile.buses],
        [repr(m) for m in profile.roles],
        profile.network_hash,
        profile.rates,
        *((number, _pack(p), [repr(m) for m in p.roles]) for number, p in enumerate(profile.others, start=2)),
    )


def judges_by(profile: Profile, measures: str = "") -> str:
    """SHA-256 of all that a verdict takes from a profile. measures: its measures_by(), where that is known."""
    return _digest(measures or measures_by(profile), sorted(profile.limits.items()))


def _pack(profile: Profile) -> list[tuple[str, object]]:
    """A chemistry of its own counts by what is in its file, not by where that lies."""
    own = str(profile.pack.get("chemistry", ""))
    told = {"chemistry": repr(named_chemistry(profile.pack))} if own.endswith(OWN) else {}
    return sorted((profile.pack | told).items())


def _digest(*parts: object) -> str:
    return hashlib.sha256("\n".join(map(repr, parts)).encode()).hexdigest()
