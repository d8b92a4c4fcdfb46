"""What a night tells of own rules and metrics that cannot be used: each by its name, and that all else goes on."""

from __future__ import annotations

from herdbook.pipeline.own.load import own_of
from herdbook.pipeline.store.store import Store


def own_notes(store: Store) -> list[str]:
    """One sentence each, without a full stop. Raises: SettingsError for a table [own] that makes no sense."""
    return [f"{b.words}; everything else is judged. herdbook rules test shows more" for b in own_of(store).broken]
