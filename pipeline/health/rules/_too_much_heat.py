"""The finding of a pack, or of a place in it, that warms more than its load explains."""

from __future__ import annotations

import polars as pl

from herdbook.pipeline.health.reading import seconds, windows
from herdbook.pipeline.health.rule import Finding
from herdbook.pipeline.health.severity import Severity


def too_much_heat(
    rows: pl.DataFrame,
    hit: pl.DataFrame,
    *,
    measured: float,
    limit: float,
    se: float,
    sure: float,
    statement: str,
    not_separable: str,
    item: str = "",
    unit: str = "1",
    size: str = "excess_k",
) -> Finding:
    """rows: the sessions judged; hit: those over the limit, shown by their column `size`; sure: the confidence."""
    return Finding(
        severity=Severity.SERVICE,
        item=item,
        measured=measured,
        limit=limit,
        unit=unit,
        statement=statement,
        se=se,
        confidence=sure,
        persistence=hit.height / rows.height,
        count=hit.height,
        duration_s=seconds(hit),
        windows=windows(hit, size),
        signals=("cell_temp", "pack_current", "ambient_temp"),
        not_separable=not_separable,
    )
