"""herdbook query: one SELECT over the published catalogue and the lake."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

if TYPE_CHECKING:
    from herdbook.pipeline.herd.one_select import Limits
    from herdbook.pipeline.store.store import Store

SHOWN = 40
MOST_JSON = 1_000_000  # rows: they are held in memory

ORDER = 110


def register(app: typer.Typer) -> None:
    app.command(epilog='Example: herdbook query "SELECT vehicle, count(*) FROM sessions GROUP BY vehicle"')(query)


def query(
    sql: Annotated[str, typer.Argument(help="One SELECT; `SHOW TABLES` lists what there is.", show_default=False)],
    store: StoreFolder = DEFAULT_STORE,
    out: Annotated[Path | None, typer.Option(help="Write all rows to a .parquet or .csv file.")] = None,
    timeout: Annotated[float, typer.Option(min=0.1, max=86400, help="Seconds until the query is stopped.")] = 60.0,
    memory: Annotated[float, typer.Option(min=0.1, max=4096, help="Gigabytes; four times that on disk.")] = 2.0,
    json: Json = False,
) -> None:
    """Ask the published catalogue in SQL. Times are UTC; messages are views over the lake.

    One SELECT is let through and nothing else: it changes nothing, and reads no file but the published catalogue and
    the lake, no address, no extension. In files and JSON durations are in seconds; in a CSV lists and structures are
    JSON, and a text that a spreadsheet would take for a formula has an apostrophe in front.
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.herd.one_select import Limits, answering
    from herdbook.pipeline.store.store import Store

    opened, limits = Store.open(store), Limits(timeout, memory)
    if out is not None:
        if out.suffix not in (".parquet", ".csv"):
            raise SettingsError(f"cannot write {out.suffix!r}", out, "Name a file ending in .parquet or .csv")
        count = to_parquet(opened, sql, limits, out) if out.suffix == ".parquet" else to_csv(opened, sql, limits, out)
        screen.say(f"{screen.plural(count, 'row')} in {out}")
        return
    count = 0
    kept: list[tuple[Any, ...]] = []
    with answering(opened, sql, limits) as answer:
        for rows in answer.batches:
            count += len(rows)
            if json and count > MOST_JSON:
                raise SettingsError(f"over {MOST_JSON:,} rows", do="Write them to a file: --out FILE.parquet")
            kept += rows if json else rows[: SHOWN - len(kept)]
    if json:
        screen.as_json([dict(zip(answer.columns, map(for_scripts, row), strict=True)) for row in kept])
    else:
        hidden = count - SHOWN
        more = f"{screen.plural(hidden, 'more row')}; all of them with --out FILE or --json" if hidden > 0 else ""
        screen.table(screen.plural(count, "row"), answer.columns, kept, note=more)


def for_scripts(value: Any) -> Any:
    """Durations in seconds, bytes in hexadecimal; the rest as screen.plain() has it."""
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, dict):
        return {key: for_scripts(v) for key, v in value.items()}
    return [for_scripts(v) for v in value] if isinstance(value, list | tuple) else value


def to_csv(store: Store, sql: str, limits: Limits, out: Path) -> int:
    """How many rows were written. Raises: SettingsError, StoreError; then the file is as before."""
    from herdbook.pipeline.herd.one_select import answering
    from herdbook.pipeline.reports.words.csv_cells import write_rows
    from herdbook.pipeline.store.whole_file import whole

    with answering(store, sql, limits) as answer, whole(out) as draft:
        return write_rows(draft, answer.columns, answer.batches)


def to_parquet(store: Store, sql: str, limits: Limits, out: Path) -> int:
    """As to_csv()."""
    import pyarrow as pa
    from pyarrow import parquet

    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.herd.one_select import answering_arrow
    from herdbook.pipeline.store.whole_file import whole

    count = 0
    with answering_arrow(store, sql, limits) as batches, whole(out) as draft:
        try:
            with parquet.ParquetWriter(draft, batches.schema) as file:
                for batch in batches:
                    file.write_batch(batch)
                    count += batch.num_rows
        except pa.ArrowException as error:
            if isinstance(error, OSError):
                raise
            do = "Turn that column into text or a number: CAST(x AS VARCHAR)"
            raise SettingsError(f"SQL: {str(error).splitlines()[0]}", out, do) from None
    return count
