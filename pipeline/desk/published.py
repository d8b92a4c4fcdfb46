"""The published catalogue as the desk reads it: one engine a publication, a connection a question.

A night replaces fleet.duckdb by rename. Who holds the old one goes on with it; whoever asks next gets the new one. The
database keeps one engine for a path in a process, so each publication is opened under a name of its own: a second link
to the same file, in the store's folder `desk/`, or a copy where no link can be made.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.desk import asked
from herdbook.pipeline.desk.known import Known
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.store.store import Store

if TYPE_CHECKING:
    import duckdb

MEMORY_GB = 2.0  # of all pages together; what does not fit goes to the disk, up to four times as much
FOLDER = "desk"  # in the store
DAY_S = 86_400.0
State = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class LinkedStore(Store):
    """A store whose published catalogue is read by another name."""

    link: Path = Path()

    @property
    def fleet(self) -> Path:
        return self.link

    def read(self) -> duckdb.DuckDBPyConnection:
        con = Store.read(self)
        asked.opened(con)
        return con


@dataclass(frozen=True, slots=True)
class DeskStore(Store):
    """A store that gives connections of the newest publication, each for one thread."""

    publications: Publications | None = None

    def read(self) -> duckdb.DuckDBPyConnection:
        """Raises: StoreError before the first publication."""
        assert self.publications is not None
        con = self.publications.connection()
        asked.opened(con)
        return con


class Publications:
    """store: as it was opened. Close it at the end: links are taken away."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.scratch = Path(tempfile.mkdtemp(prefix="herdbook-desk-"))
        self._lock = threading.Lock()
        self._state: State | None = None
        self._root: duckdb.DuckDBPyConnection | None = None
        self._links = 0
        self.known = Known()
        self._views: tuple[str, ...] = ()
        self._clear("*", older_s=DAY_S)  # of a desk that was killed

    @property
    def folder(self) -> Path:
        return self.store.folder / FOLDER

    def connection(self) -> duckdb.DuckDBPyConnection:
        """Raises: StoreError."""
        with self._lock:
            state = self.state()
            if self._root is None or state != self._state:
                self._root, self._state = self._open(), state
            con = self._root.cursor()
        con.execute("SET TimeZone = 'UTC'")
        for text in self._views:
            con.execute(text)
        return con

    def state(self) -> State:
        """Changes with every publication. Raises: StoreError."""
        try:
            about = self.store.fleet.stat()
        except OSError:
            raise StoreError("nothing is published here", self.store.folder, "Run a scan first") from None
        return about.st_ino, about.st_mtime_ns, about.st_size

    def _open(self) -> duckdb.DuckDBPyConnection:
        with_link = self.linked()
        try:
            root = Store.read(with_link)
            self._views = _views(root)
            room = str(self.scratch).replace("'", "''")
            root.execute(f"SET memory_limit = '{MEMORY_GB:.3f}GB'")
            root.execute(f"SET temp_directory = '{room}'")
            root.execute(f"SET max_temp_directory_size = '{4 * MEMORY_GB:.3f}GB'")
        finally:
            with suppress(OSError):  # the file stays for who has it open; where it may not go yet, close() removes it
                with_link.link.unlink()
        return root

    def linked(self) -> LinkedStore:
        """The store with a name of its own for the newest publication; the caller removes it. Raises: StoreError."""
        self._links += 1
        name = f"{os.getpid()}-{self._links}.duckdb"
        path = self.folder / name
        try:
            self.folder.mkdir(mode=0o750, exist_ok=True)
            path.unlink(missing_ok=True)
            os.link(self.store.fleet, path)
        except OSError:  # a folder that may only be read, a file of somebody else, a file system without links
            path = self.scratch / name
            try:
                shutil.copyfile(self.store.fleet, path)
            except OSError as error:
                what = f"fleet.duckdb cannot be read ({error.strerror or error})"
                raise StoreError(what, self.store.folder, "Check the disk and the rights, or run a scan") from None
        return LinkedStore(self.store.folder, self.store.settings, path)

    def close(self) -> None:
        shutil.rmtree(self.scratch, ignore_errors=True)
        self._clear(str(os.getpid()))

    def _clear(self, which: str, older_s: float = 0.0) -> None:
        for path in self.folder.glob(f"{which}-*.duckdb*"):
            with suppress(OSError):
                if time.time() - path.stat().st_ctime >= older_s:
                    path.unlink()


def _views(con: duckdb.DuckDBPyConnection) -> tuple[str, ...]:
    """What Store.read() makes for each connection, looked up once a publication: no other connection sees it."""
    found = con.execute("SELECT sql FROM duckdb_views() WHERE temporary AND NOT internal ORDER BY view_oid").fetchall()
    return tuple(text for (text,) in found)
