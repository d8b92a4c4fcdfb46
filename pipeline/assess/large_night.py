"""A large night's groups write files of the record, each with numbers that were put aside for it before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.record_files import TABLES
from herdbook.pipeline.store.shards import digits_for, shard_of
from herdbook.pipeline.store.store import Store

# Engineering choices. A large night: one that would bring an EIGHTH of [keep] young_rows at ROWS a vehicle, as measured
# for a ride of the demo's board. Groups of it: LEAST to MOST vehicles.
ROWS, EIGHTH = 170, 8
LEAST_IN_GROUP, MOST_IN_GROUP = 16, 256


@dataclass(frozen=True, slots=True)
class FileNumbers:
    """Numbers that one group may use. removal: what is measured again leaves files of smaller numbers; first: of its
    own files, one a table; shard: of its vehicles."""

    removal: int
    first: int
    shard: str


@dataclass(slots=True)
class LargeNight:
    """Hands numbers of the catalogue to groups, so that no worker asks for one. digits: of the shards."""

    removal: int
    digits: int
    used: int = 0

    def in_order(self, vehicles: Sequence[str]) -> list[str]:
        """By shard, so that a group's vehicles lie in one."""
        return sorted(vehicles, key=lambda v: (shard_of(v, self.digits), v))

    def shared(self, vehicles: Sequence[str]) -> int:
        """How many of them, from the first on, lie in one shard."""
        first = shard_of(vehicles[0], self.digits)
        return next((n for n, v in enumerate(vehicles) if shard_of(v, self.digits) != first), len(vehicles))

    def numbers(self, vehicle: str) -> FileNumbers:
        """For the group that begins with this vehicle."""
        first = self.removal + 1 + self.used
        self.used += len(TABLES)
        return FileNumbers(self.removal, first, shard_of(vehicle, self.digits))


def large_night(store: Store, vehicles: int) -> LargeNight | None:
    """None for a small one. Raises: BusyError, StoreError."""
    if not vehicles or vehicles * ROWS < store.settings.young_rows // EIGHTH:
        return None
    with transaction(store.catalogue) as con:  # numbers nobody uses in the end are lost, which harms nobody
        wanted = 1 + vehicles * len(TABLES)
        first = con.execute("SELECT min(nextval('record_ids')) FROM range(?)", [wanted]).fetchall()[0][0]
    return LargeNight(removal=first, digits=digits_for(vehicles))
