"""By what sessions and figures of all vehicles are measured, as one hash: while it stays, a stretch whose logs are what
they were need not be looked at. All profiles are in it: a change of any has every vehicle looked at whole once."""

from __future__ import annotations

import hashlib

from herdbook.pipeline.assess.versions import accepted
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.own.files import own_files
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.profile_means import measures_by

_last: dict[tuple[str, ...], tuple[list[Profile], str]] = {}  # of the profiles as they were last loaded


def measured_by(store: Store) -> str:
    """ "" where profiles cannot be read: then nothing is known to stand."""
    settings, own = store.settings, own_files(store).measuring
    try:
        profiles = sorted(store.profiles(), key=lambda p: p.name)
    except HerdbookError:
        return ""
    asked = (str(store.folder), f"{settings.join_s} {settings.stop_s} {settings.span_gap_s}", own)
    known = _last.get(asked)
    if known is None or [id(p) for p in known[0]] != [id(p) for p in profiles]:  # loaded anew where a file changed
        lines = [f"{p.name} {measures_by(p)} {p.hash} {accepted(p.pack_figures, own)}" for p in profiles]
        known = profiles, hashlib.sha256("\n".join([*asked[1:], *lines]).encode()).hexdigest()
        _last.clear()
        _last[asked] = known
    return known[1]
