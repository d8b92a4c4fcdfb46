"""Which lake a store has: the only place that knows all kinds."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from herdbook.pipeline.addresses import local
from herdbook.pipeline.lake.folder import FolderLake
from herdbook.pipeline.lake.place import Lake


@lru_cache(maxsize=64)
def lake_of(store: Path, lake: str, cache_gb: float) -> Lake:
    """The lake of a store whose settings say this; one for all of a process."""
    folder = local(lake, store) if lake else store / "lake"
    if folder is not None:
        return FolderLake(folder, store)
    from herdbook.pipeline.lake.remote import RemoteLake  # object storage costs a start-up that few need

    return RemoteLake(lake, store, round(cache_gb * 1e9))
