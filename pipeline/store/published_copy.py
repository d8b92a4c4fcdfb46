"""A copy of the catalogue for readers, as it is before views are added: whole, or without what lies in files."""

from __future__ import annotations

import shutil
from pathlib import Path

from herdbook.pipeline.store.connection import visit
from herdbook.pipeline.store.ledger_files import filed
from herdbook.pipeline.store.record_files import UNFILED, YOUNG, files_of
from herdbook.pipeline.store.store import Store


def copy_catalogue(store: Store, target: Path) -> None:
    """target: in the store's folder. Raises: OSError, duckdb.Error."""
    with visit(store.catalogue) as con:
        con.execute("CHECKPOINT")
        too = filed(con)
        if too:
            target.unlink(missing_ok=True)
            quoted = str(target).replace("'", "''")
            con.execute(f"ATTACH '{quoted}' AS published")
            con.execute(f"COPY FROM DATABASE {store.catalogue.stem} TO published (SCHEMA)")
            kinds = {f.kind for f in files_of(con)}
            con.begin()
            tables = f"SELECT table_name FROM duckdb_tables() WHERE database_name = '{store.catalogue.stem}'"
            for (name,) in con.execute(tables).fetchall():
                if name in too:
                    con.execute(f"DROP TABLE published.{name}")
                    young = name + YOUNG if name in kinds else name
                    con.execute(f"CREATE TABLE published.{young} AS FROM {UNFILED}{name}")
                elif name.startswith(UNFILED):
                    con.execute(f"DROP TABLE published.{name}")
                else:
                    con.execute(f'INSERT INTO published."{name}" FROM "{name}"')
            con.commit()
            con.execute("DETACH published")
    if not too:
        shutil.copyfile(store.catalogue, target)
