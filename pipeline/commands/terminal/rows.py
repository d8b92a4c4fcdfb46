"""Rows from the published catalogue, for the verbs that show tables."""

from __future__ import annotations

from typing import Any

from herdbook.pipeline.store.statements import statement
from herdbook.pipeline.store.store import Store


def rows(store: Store, name: str, **given: object) -> list[dict[str, Any]]:
    """The rows of sql/<name>.sql, with named parameters."""
    with store.read() as con:
        found: list[dict[str, Any]] = con.sql(statement(__name__, name), params=given or None).pl().to_dicts()
    return found
