"""In a large night the worker that measured vehicles writes their rows into files of the record itself; the process
that holds the store enters the names. A small night hands rows over: many small files would be read more slowly."""

from __future__ import annotations

from dataclasses import replace

from herdbook.pipeline.assess.group import AssessedGroup
from herdbook.pipeline.assess.large_night import FileNumbers
from herdbook.pipeline.store.record_files import TABLES
from herdbook.pipeline.store.record_writing import write_rows
from herdbook.pipeline.store.store import Store


def into_files(store: Store, group: AssessedGroup, numbers: FileNumbers | None) -> AssessedGroup:
    """The same with its rows of sessions in files, and empty tables in their place. Raises: StoreError without room."""
    if numbers is None:
        return group
    rows, files = dict(group.rows), []
    for number, kind in enumerate(TABLES, start=numbers.first):
        if rows[kind].height:
            files.append(write_rows(store.folder, kind, number, rows[kind], numbers.shard))
            rows[kind] = rows[kind].clear()
    return replace(group, rows=rows, files=tuple(files), removal=numbers.removal)
