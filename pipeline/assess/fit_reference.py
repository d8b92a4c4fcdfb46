"""Fit the fleet's reference figures on request, and mark every vehicle to be judged by them.

    figures = refit(store)      then scan, or assess the vehicles touched

Never run by a scan: a fleet that slowly gets worse must not move its own yardstick.
"""

from __future__ import annotations

import polars as pl

from herdbook.pipeline.health.reference import FIGURES, OWN_RESISTANCE, fit_reference
from herdbook.pipeline.intake.ledger import touch
from herdbook.pipeline.store.connection import connect, insert, transaction
from herdbook.pipeline.store.record_files import show
from herdbook.pipeline.store.statements import statement
from herdbook.pipeline.store.store import Store


def refit(store: Store) -> pl.DataFrame:
    """New reference figures of every profile: profile, name, item, value, spread, unit, n. Replaces the old ones.

    Profiles with too few vehicles get none, and lose what they had. Raises: BusyError, StoreError.
    """
    names = sorted({figure.name for figure in FIGURES} | {OWN_RESISTANCE})
    con = connect(store.catalogue, read_only=True)
    try:
        show(con, store.folder, store.settings.check_days)
        metrics = con.sql(statement(__name__, "fleet_metrics"), params={"names": names}).pl()
    finally:
        con.close()
    fitted = [
        fit_reference(part).select(pl.lit(profile).alias("profile"), pl.all())
        for (profile,), part in metrics.group_by(["profile"], maintain_order=True)
    ]
    empty = fit_reference(metrics.clear()).select(pl.lit("").alias("profile"), pl.all())
    figures = pl.concat([empty, *fitted]).sort("profile", "name", "item")
    with transaction(store.catalogue) as con:
        con.execute("DELETE FROM reference")
        insert(con, "reference", figures)
        touch(con, [v for (v,) in con.execute("SELECT vehicle FROM vehicles ORDER BY vehicle").fetchall()])
    return figures
