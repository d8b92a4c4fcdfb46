"""Rows from the published catalogue, for the verbs that show tables."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from herdbook.pipeline.store.store import Store

SQL = Path(__file__).parent / "sql"


def rows(store: Store, name: str, **given: object) -> list[dict[str, Any]]:
    """The rows of sql/<name>.sql, with named parameters."""
    with store.read() as con:
        query = (SQL / f"{name}.sql").read_text("utf-8")
        found: list[dict[str, Any]] = con.sql(query, params=given or None).pl().to_dicts()
    return found
