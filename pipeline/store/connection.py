"""The private catalogue is opened here: short transactions, whole or not at all, whatever happens meanwhile."""

from __future__ import annotations

import os
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import BusyError, StoreError, damage

if TYPE_CHECKING:
    import duckdb
    import polars as pl

# What errors say of a full disk; the last one is of a sort.
FULL = ("No space", "out of space", "ould not write", "Disk quota", "max_temp_directory")
THREADS = 2  # of DuckDB, for short statements on the catalogue: sixteen would mostly wait for each other
WAIT_S = 30.0  # another Herdbook process may be inside one of its short transactions
_idle: dict[int, list[duckdb.DuckDBPyConnection]] = defaultdict(list)  # by process: a fork takes no threads along
_attached: set[Path] = set()
_kept: dict[Path, duckdb.DuckDBPyConnection] = {}  # engines that stay in a catalogue which is ours alone
_door = threading.Lock()


def connect(path: Path, read_only: bool = False) -> duckdb.DuckDBPyConnection:
    """Open a catalogue, waiting for other short transactions. Raises: BusyError, StoreError."""
    import duckdb

    return _waiting(path, lambda: duckdb.connect(str(path), read_only=read_only))


def _waiting(path: Path, opened: Callable[[], duckdb.DuckDBPyConnection]) -> duckdb.DuckDBPyConnection:
    import duckdb

    end = time.monotonic() + WAIT_S
    pause = 0.01
    while True:
        said = "by this process"
        with _door:  # a second look at the file from this process would let go of its lock (POSIX)
            if path.absolute() not in _attached:
                try:
                    return opened()
                except duckdb.Error as error:
                    said = str(error)
                    locked = isinstance(error, duckdb.IOException) and "lock" in said.lower()
                    if not locked and "already attached" not in said:
                        raise _unusable(path, error) from None
        if time.monotonic() > end:
            raise BusyError(
                f"the catalogue has been locked for {WAIT_S:.0f} s: {said}",
                path,
                "Close what else has catalogue.duckdb open; people should open fleet.duckdb",
            )
        time.sleep(pause)
        pause = min(pause * 2, 0.5)


@contextmanager
def ours_alone(path: Path) -> Iterator[None]:
    """A catalogue that nobody else will look into, say in a temporary folder, stays open between visits: each would
    wait for the disk twice. Raises: BusyError, StoreError."""
    with visit(path) as con:
        _kept[path.absolute()] = con
        try:
            yield
        finally:
            del _kept[path.absolute()]


@contextmanager
def visit(path: Path, read_only: bool = False) -> Iterator[duckdb.DuckDBPyConnection]:
    """As connect(), for a short while, from an engine that stays with this process: to start one takes four times as
    long as to open a catalogue, and a night looks into it a dozen times. Raises: BusyError, StoreError."""
    import duckdb

    if (kept := _kept.get(path.absolute())) is not None:
        with kept.cursor() as again:
            again.execute(f'USE "{path.stem}"')
            yield again
        return
    engines = _idle[os.getpid()]
    engine = engines.pop() if engines else duckdb.connect(config={"threads": THREADS})
    name = '"' + path.stem + '"'

    def attach() -> duckdb.DuckDBPyConnection:
        con = engine.cursor()
        file = str(path).replace("'", "''")
        con.execute(f"ATTACH '{file}' AS {name} {'(READ_ONLY)' if read_only else ''}")
        con.execute(f"USE {name}")
        _attached.add(path.absolute())
        return con

    con, sound = None, False
    try:
        con = _waiting(path, attach)
        try:
            yield con
            sound = True
        finally:
            with suppress(duckdb.Error):
                con.close()
            try:
                engine.execute(f"DETACH {name}")
            except duckdb.Error:
                sound = False
    finally:
        if sound:
            engines.append(engine)
        else:  # after a fault nobody knows its state
            with suppress(duckdb.Error):
                engine.close()
        if con is not None:  # else it is attached by somebody else, for whom we waited in vain
            _attached.discard(path.absolute())


def _unusable(path: Path, error: Exception) -> StoreError:
    raise_if_full(path, error)
    return StoreError(
        f"the catalogue cannot be opened: {str(error).splitlines()[0]}",
        path,
        "Put back a copy (catalogue.before-*.duckdb), or move it away and scan the inbox again: parts are reused",
    )


@contextmanager
def transaction(path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """One short writing transaction on a connection of its own; rolled back on any exception."""
    import duckdb

    try:
        with visit(path) as con:
            con.execute("SET TimeZone = 'UTC'")
            con.begin()
            try:
                yield con
                con.commit()
            except BaseException:
                with suppress(duckdb.Error):  # after a fatal error there is nothing left to roll back
                    con.rollback()
                raise
    except duckdb.Error as error:
        raise_if_full(path, error)
        if known := damage(error):
            raise known from None
        raise


def raise_if_full(path: Path, error: Exception) -> None:
    """Raises: StoreError when the error is about room on the disk, in whatever words."""
    said = str(error)
    if any(words in said for words in FULL):
        raise StoreError("the disk is full", path, "Make room and run again; what was committed stays") from None


def insert(con: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame) -> None:
    """Append a frame to a table by column name."""
    if rows.height:
        with registered(con, "incoming_rows", rows):
            con.execute(f'INSERT INTO "{table}" BY NAME SELECT * FROM incoming_rows')


@contextmanager
def registered(con: duckdb.DuckDBPyConnection, name: str, rows: pl.DataFrame) -> Iterator[None]:
    """A frame under a name that statements can read, for a while."""
    con.complete()  # who read one row only (fetchone) left a result open, and DuckDB 2 refuses new work until then
    con.register(name, rows)
    try:
        yield
    finally:
        con.unregister(name)
