"""Whose a log in quarantine claims to be, as far as its surroundings tell; the ledger gives it to nobody."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

from herdbook.decoders.errors import DecoderError
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.intake.identity import vehicle_from_path
from herdbook.pipeline.intake.sidecar import read_sidecar
from herdbook.pipeline.store.store import Store


def claimed_vehicle(store: Store, path: str) -> str:
    """The vehicle that a sidecar names, else a pattern on the path; "" when neither does, or both cannot be read."""
    with suppress(HerdbookError, OSError):
        if named := read_sidecar(Path(path), store.settings.zone).vehicle:
            return named
    patterns = list(store.settings.paths)
    with suppress(HerdbookError, DecoderError, OSError):
        patterns += [str(p.identity["path"]) for p in store.profiles() if p.identity.get("path")]
        patterns += [r.path_pattern for r in store.refused_profiles() if r.path_pattern]
    with suppress(HerdbookError):
        return vehicle_from_path(path, patterns)
    return ""
