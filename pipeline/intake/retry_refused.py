"""Logs that were refused because of a profile or a pattern are tried again once these were corrected."""

from __future__ import annotations

import hashlib

from herdbook.pipeline.intake.outcome import CONTRADICTION, PROFILE_REFUSED, UNUSABLE
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import from_micros, now_us


def retry_refused(store: Store, now: int | None = None) -> list[str]:
    """Mark refused logs for another try if a profile, or what herdbook.toml says of whose a log is, changed since the
    last scan. now: microseconds UTC. Returns what the night tells. Raises: ProfileError."""
    texts = {p.name: p.hash for p in store.profiles()} | {"": _settings(store)}
    with transaction(store.catalogue) as con:
        before = dict(con.execute("SELECT name, hash FROM looked_by").fetchall())
        if before == texts:
            return []
        con.execute("DELETE FROM looked_by")
        con.executemany("INSERT INTO looked_by VALUES (?, ?)", sorted(texts.items()))
        if not before:
            return []
        moment = from_micros(now_us() if now is None else now)
        count = con.execute(
            "UPDATE quarantine SET again_t = ? WHERE reason IN (?, ?, ?)",
            [moment, UNUSABLE, CONTRADICTION, PROFILE_REFUSED],
        ).fetchall()[0][0]
    logs = "1 log that was refused is" if count == 1 else f"{count:,} logs that were refused are"
    return [f"profiles or patterns changed: {logs} tried again"] if count else []


def _settings(store: Store) -> str:
    said = store.settings
    return hashlib.sha256(repr((said.paths, said.vehicle, said.zone, said.min_known_share)).encode()).hexdigest()
