"""herdbook query: SQL over the published catalogue and the lake, read-only."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

SHOWN = 40

ORDER = 110


def register(app: typer.Typer) -> None:
    app.command(epilog='Example: herdbook query "SELECT vehicle, count(*) FROM sessions GROUP BY vehicle"')(query)


def query(
    sql: Annotated[str, typer.Argument(help="One SELECT; `SHOW TABLES` lists what there is.", show_default=False)],
    store: StoreFolder = DEFAULT_STORE,
    out: Annotated[Path | None, typer.Option(help="Write all rows to a .parquet or .csv file.")] = None,
    json: Json = False,
) -> None:
    """Ask the published catalogue in SQL. Times are UTC; messages are views over the lake."""
    import duckdb

    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.store.connection import damage
    from herdbook.pipeline.store.publish import vouch_for
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    with opened.read() as con:
        vouch_for(opened, con, sql)
        try:
            found = con.sql(sql)
            if found is None:
                raise SettingsError("the statement returns no rows", do="Write a SELECT; the catalogue is read-only")
            table = found.pl()
        except duckdb.Error as error:
            if trouble := opened.lake.trouble() or damage(error):
                raise trouble from None
            raise SettingsError(f"SQL: {str(error).strip()}", do="Correct the statement") from None
    if out is not None:
        if out.suffix not in (".parquet", ".csv"):
            raise SettingsError(f"cannot write {out.suffix!r}", out, "Name a file ending in .parquet or .csv")
        table.write_parquet(out) if out.suffix == ".parquet" else table.write_csv(out)
        screen.say(f"{table.height:,} rows in {out}")
    elif json:
        screen.as_json(table.to_dicts())
    else:
        hidden = table.height - SHOWN
        more = f"{hidden:,} more rows; all of them with --out FILE or --json" if hidden > 0 else ""
        screen.table(f"{table.height:,} rows", table.columns, table.head(SHOWN).rows(), note=more)
