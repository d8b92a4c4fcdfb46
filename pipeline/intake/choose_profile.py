"""Which profile a log is decoded with: the one named, valid on that day, that knows its identifiers.

A profile that is refused still claims its logs: another that knows some of their identifiers must not decode them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from herdbook.decoders import Network
from herdbook.decoders.frames import ERROR, REMOTE, Frames
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.identity import vehicle_from_path
from herdbook.pipeline.times import in_words
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.refused_profile import RefusedProfile


class ProfileRefusedError(InputError):
    """The log is one of a profile that is refused; it waits until that is corrected."""


def known_share(frames: Frames, profile: Profile) -> float:
    """Share 0..1 of the data frames whose identifier the profile's DBC files know; 0 when there are none."""
    return _share(frames, [profile.network()])


def _share(frames: Frames, networks: Iterable[Network]) -> float:
    """Share 0..1 of the data frames whose identifier one of the networks knows; 0 when there are none."""
    data = (frames.flags & (ERROR | REMOTE)) == 0
    known = np.zeros(data.shape, np.bool_)
    for network in networks:
        known |= network.knows(frames)
    return int(np.count_nonzero(known & data)) / max(1, int(np.count_nonzero(data)))


def _share_without_labels(frames: Frames, profile: Profile) -> float:
    """What known_share() would be if the profile did not tell its buses apart."""
    if not any(label for label, _ in profile.buses):
        return 0.0
    return _share(frames, [Network.load([path for _, path in profile.buses], profile.lenient)])


def choose_profile(
    head: Frames,
    start: int,
    profiles: Sequence[Profile],
    named: str,
    least: float,
    refused: Sequence[RefusedProfile] = (),
    path: str = "",
) -> Profile:
    """The profile for a log. head: its first frames; start: its first time, microseconds UTC; named: by the sidecar;
    refused: profiles that are wrong; path: of the log.

    Raises: ProfileRefusedError when it is one of theirs; InputError when none is valid then, none knows enough
    identifiers, or several fit equally.
    """
    sound = {p.name for p in profiles}
    bad = [r for r in refused if r.name not in sound and (not named or named in (r.name, r.family))]
    pool = [p for p in profiles if not named or named in (p.name, p.family)]
    if not pool and bad:
        raise _waits(bad[0])
    if not pool:
        known = ", ".join(sorted(sound))
        raise InputError(f"the sidecar names profile {named!r}, which there is not", "", f"Known: {known}")
    dated = [p for p in pool if p.covers(start)]
    shares = {p.name: known_share(head, p) for p in profiles}
    best = max((shares[p.name] for p in dated), default=0.0)
    claimed = {r.name: _claimed_share(head, r, path) for r in bad if r.covers(start) and named not in sound}
    for one in (r for r in bad if claimed.get(r.name, 0.0) >= max(best, least)):
        raise _waits(one)
    if not dated:
        names = ", ".join(p.name for p in pool)
        raise InputError(
            f"no profile is valid on {in_words(start)} (looked at {names})",
            "",
            "Check [valid] in the profiles, or the log's clock",
        )
    if best < least:
        raise InputError(*_wrong(shares, dated, best, head))
    fitting = [p for p in dated if shares[p.name] == best]
    if len(fitting) > 1:
        names = " and ".join(p.name for p in fitting)
        raise InputError(
            f"profiles {names} know its identifiers equally well",
            "",
            'Write a sidecar with profile = "...", or set [valid] dates in the profiles',
        )
    return fitting[0]


def _claimed_share(head: Frames, refused: RefusedProfile, path: str) -> float:
    """As known_share(), by what can be read of its DBC files; where that is not all, a path of its vehicles claims."""
    if not refused.knows_its_identifiers and refused.path_pattern and _names_a_vehicle(refused.path_pattern, path):
        return 1.0
    return _share(head, refused.networks)


def _names_a_vehicle(pattern: str, path: str) -> bool:
    """As a sound profile's pattern would; one that cannot be followed claims the path until it is corrected."""
    try:
        return bool(vehicle_from_path(path, [pattern]))
    except InputError:
        return True


def _waits(refused: RefusedProfile) -> ProfileRefusedError:
    do = f"Correct {refused.path.name} (`herdbook profile check` says how); the next scan takes the log in"
    return ProfileRefusedError(refused.words, "", do)


def _wrong(shares: dict[str, float], dated: Sequence[Profile], best: float, head: Frames) -> tuple[str, str, str]:
    for profile in dated:
        if _share_without_labels(head, profile) > max(best, 0.5):
            labels = ", ".join(sorted({label for label, _ in profile.buses}))
            what = f"the log's buses are called {', '.join(head.channels)}, in profile {profile.name} they are {labels}"
            return what, "", "The identifiers fit, the bus labels do not: swap the wires or mend [[bus]]"
    tried = next(p.name for p in dated if shares[p.name] == best)
    nearest = max(sorted(shares), key=lambda name: shares[name])
    what = f"profile {tried} knows the identifiers of only {best:.0%} of the frames"
    if shares[nearest] > best:
        return f"{what}; {nearest} knows {shares[nearest]:.0%}", "", f"If it is a {nearest}, say so in the sidecar"
    return f"{what}; no profile knows more", "", "Add a profile for this vehicle, or check the bus labels in [[bus]]"
