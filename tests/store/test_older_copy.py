"""A copy that an older Herdbook published: who asks for what it lacks is told so, and what to do."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.herd.batch_findings import batch_findings
from herdbook.pipeline.operating_system import set_rights
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.book.rows import store_with


@pytest.mark.parametrize("older", [True, False])
def test_only_an_older_copy_is_called_one(tmp_path: Path, older: bool) -> None:
    store: Store = store_with(tmp_path)
    publish(store)
    set_rights(store.fleet, 0o640)
    with duckdb.connect(str(store.fleet)) as con:
        con.execute("DROP TABLE master_data")
        if older:
            con.execute("DELETE FROM versions WHERE version >= 13")
    with store.read() as con, pytest.raises(StoreError if older else duckdb.CatalogException) as told:
        batch_findings(con)
    if older:
        assert "older Herdbook" in str(told.value)
        assert "herdbook store publish" in str(told.value)
    publish(store)
    with store.read() as con:
        batch_findings(con)
