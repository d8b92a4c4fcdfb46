"""A person's question in SQL: one SELECT over what is published, and nothing else that SQL could do.

DuckDB's own lock-down keeps other files, addresses, extensions and settings away, but lets COPY overwrite files inside
a folder that may be read, also on a read-only connection; so only a SELECT is let through to it. The order of the
settings matters: the last but one ends all access to files, the last one all changes of settings.
"""

from __future__ import annotations

import tempfile
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.errors import SettingsError, damage
from herdbook.pipeline.store.publish import vouch_for
from herdbook.pipeline.store.record_files import FOLDER

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

    from herdbook.pipeline.store.store import Store

TIMEOUT_S = 60.0
MEMORY_GB = 2.0
TEMP_PER_MEMORY = 4.0  # what does not fit into memory goes to the disk, up to so many times as much
ROWS = 10_000  # fetched at a time
ONE = "Write one SELECT; `SHOW TABLES` lists what there is"


@dataclass(frozen=True, slots=True)
class Answer:
    """columns: each name once. batches: rows as Python values, to be read inside answering() and only once."""

    columns: tuple[str, ...]
    batches: Iterator[list[tuple[Any, ...]]]


@dataclass(frozen=True, slots=True)
class Limits:
    timeout_s: float = TIMEOUT_S
    memory_gb: float = MEMORY_GB


@contextmanager
def answering(store: Store, sql: str, limits: Limits) -> Iterator[Answer]:
    """The parts it may read are compared with their hashes first.

    Raises: SettingsError for anything but one SELECT, and for one that takes too long or too much; StoreError."""
    with _locked(store, sql, limits) as (con, late):
        con.execute(one_select(con, sql))
        columns = once([str(column[0]) for column in con.description or ()])
        yield Answer(columns, _batches(con, late))


@contextmanager
def answering_arrow(store: Store, sql: str, limits: Limits) -> Iterator[pa.RecordBatchReader]:
    """The same for files in columns; durations are given in seconds. Raises: as answering()."""
    with _locked(store, sql, limits) as (con, _):
        found = con.sql(one_select(con, sql))
        twice = [name for name in found.columns if found.columns.count(name) > 1]
        if twice:
            raise SettingsError(f"two columns are called {twice[0]!r}", do="Give each its own name with AS")
        seconds = [
            f"epoch({quoted(name)}) AS {quoted(name)}" if str(kind) == "INTERVAL" else quoted(name)
            for name, kind in zip(found.columns, found.types, strict=True)
        ]
        yield found.project(", ".join(seconds)).to_arrow_reader(ROWS)


def quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def once(names: Sequence[str]) -> tuple[str, ...]:
    """Names of columns, the second of a kind told apart by a number, so that none hides another."""
    told: list[str] = []
    for name in names:
        again, number = name, 1
        while again in told:
            number += 1
            again = f"{name}_{number}"
        told.append(again)
    return tuple(told)


def _batches(con: duckdb.DuckDBPyConnection, late: threading.Event) -> Iterator[list[tuple[Any, ...]]]:
    import duckdb

    while rows := con.fetchmany(ROWS):
        if late.is_set():
            raise duckdb.InterruptException
        yield rows


def one_select(con: duckdb.DuckDBPyConnection, sql: str) -> str:
    """The statement, when it is one SELECT. Raises: SettingsError."""
    import duckdb

    found = con.extract_statements(sql)
    if len(found) != 1 or found[0].type != duckdb.StatementType.SELECT:
        what = "more than one statement" if found[1:] else f"the statement {found[0].type.name}" if found else "nothing"
        raise SettingsError(f"SQL: this is {what}, and only a SELECT is let through", do=ONE)
    return str(found[0].query)


@contextmanager
def _locked(store: Store, sql: str, limits: Limits) -> Iterator[tuple[duckdb.DuckDBPyConnection, threading.Event]]:
    """A connection that can read the published catalogue and the lake, for so long; errors in words."""
    import duckdb

    late = threading.Event()
    with tempfile.TemporaryDirectory(prefix="herdbook-query-") as room, store.read() as con:

        def end() -> None:
            late.set()
            con.interrupt()

        timer = threading.Timer(limits.timeout_s, end)
        timer.daemon = True
        try:
            vouch_for(store, con, one_select(con, sql))
            lock_down(con, store, room, limits)
            timer.start()
            yield con, late
        except duckdb.Error as error:
            if trouble := store.lake.trouble() or damage(error):
                raise trouble from None
            raise _in_words(error, late.is_set(), limits) from None
        finally:
            timer.cancel()


def lock_down(con: duckdb.DuckDBPyConnection, store: Store, room: str, limits: Limits) -> None:
    """room: an empty folder for what does not fit into memory. It holds for the process."""
    lake = store.lake
    readable = [f"{lake.root}/", lake.address("x").removesuffix("x"), f"{store.folder / FOLDER}/"]
    con.execute("SET TimeZone = 'UTC'")
    con.execute("SET allowed_directories = " + _list(readable))
    con.execute("SET temp_directory = " + _text(room))
    con.execute(f"SET max_temp_directory_size = '{TEMP_PER_MEMORY * limits.memory_gb:.3f}GB'")
    con.execute(f"SET memory_limit = '{limits.memory_gb:.3f}GB'")
    con.execute("SET autoinstall_known_extensions = false")
    con.execute("SET autoload_known_extensions = false")
    con.execute("SET python_enable_replacements = false")
    con.execute("SET enable_external_access = false")
    con.execute("SET lock_configuration = true")


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _list(values: Sequence[str]) -> str:
    return "[" + ", ".join(_text(value) for value in dict.fromkeys(values)) + "]"


def _in_words(error: duckdb.Error, late: bool, limits: Limits) -> SettingsError:
    import duckdb

    if isinstance(error, duckdb.InterruptException) and late:
        do = "Ask for less (a WHERE, a LIMIT), or give it longer: --timeout SECONDS"
        return SettingsError(f"SQL: no answer within {limits.timeout_s:g} s", do=do)
    if isinstance(error, duckdb.OutOfMemoryException):
        do = "Ask for less (a WHERE, fewer columns), or give it more: --memory GIGABYTES"
        return SettingsError(
            f"SQL: it needs more than {limits.memory_gb:g} GB of memory and its room on the disk", do=do
        )
    if isinstance(error, duckdb.PermissionException):
        do = "A query reads the published catalogue and the lake; after a store was moved: `herdbook store publish`"
        return SettingsError(f"SQL: {str(error).splitlines()[0]}", do=do)
    return SettingsError(f"SQL: {str(error).strip()}", do="Correct the statement")
