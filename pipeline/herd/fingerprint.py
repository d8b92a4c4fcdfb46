"""One short text that stands for all findings and scores: equal texts, equal answers.

The same logs, profiles and rules give the same text, however the logs were cut, in whatever order they came and on
whatever machine; that is how a second run is compared with the first.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb


def fingerprint(con: duckdb.DuckDBPyConnection) -> str:
    """First 16 hex digits of a SHA-256 over every finding, score and refusal."""
    digest = hashlib.sha256()
    for row in ask(con, __name__, "answers"):
        digest.update(row["line"].encode() + b"\n")
    return digest.hexdigest()[:16]
