"""Which profile a log is decoded with: the one named, valid on that day, that knows its identifiers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from herdbook.decoders import Network
from herdbook.decoders.frames import ERROR, REMOTE, Frames
from herdbook.pipeline.errors import InputError
from herdbook.pipeline.times import in_words
from herdbook.pipeline.vehicle.profile import Profile


def known_share(frames: Frames, profile: Profile) -> float:
    """Share 0..1 of the data frames whose identifier the profile's DBC files know; 0 when there are none."""
    data = int(np.count_nonzero((frames.flags & (ERROR | REMOTE)) == 0))
    return int(np.count_nonzero(profile.network().knows(frames))) / data if data else 0.0


def _share_without_labels(frames: Frames, profile: Profile) -> float:
    """What known_share() would be if the profile did not tell its buses apart."""
    if not any(label for label, _ in profile.buses):
        return 0.0
    data = (frames.flags & (ERROR | REMOTE)) == 0
    network = Network.load([path for _, path in profile.buses], profile.lenient)
    return float(np.count_nonzero(network.knows(frames))) / max(1, int(np.count_nonzero(data)))


def choose_profile(head: Frames, start: int, profiles: Sequence[Profile], named: str, least: float) -> Profile:
    """The profile for a log. head: its first frames; start: its first time, microseconds UTC; named: by the sidecar.

    Raises: InputError when none is valid then, none knows enough identifiers, or several fit equally.
    """
    pool = [p for p in profiles if not named or named in (p.name, p.family)]
    if not pool:
        known = ", ".join(sorted({p.name for p in profiles}))
        raise InputError(f"the sidecar names profile {named!r}, which there is not", "", f"Known: {known}")
    dated = [p for p in pool if p.covers(start)]
    if not dated:
        names = ", ".join(p.name for p in pool)
        raise InputError(
            f"no profile is valid on {in_words(start)} (looked at {names})",
            "",
            "Check [valid] in the profiles, or the log's clock",
        )
    shares = {p.name: known_share(head, p) for p in profiles}
    best = max(shares[p.name] for p in dated)
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
