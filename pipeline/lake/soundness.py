"""Whether parts in a folder are still the bytes that were written, without reading all of them all of the time.

Python reads a part after its hash was compared once a process. SQL reads files by itself, and neither DuckDB nor Polars
looks at page checksums; so before a statement is run the parts it may read are compared too. What was found is kept in
the store's folder (`checked.sqlite`): a part is compared again when its size, one of its times or its inode say that it
was touched, and otherwise once [keep] check_days are over, for a bit can flip without anybody touching the file.
Comparing costs one reading of the file: about a second for 0.8 GB on one core.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from pathlib import Path

from herdbook.pipeline.errors import DamagedPartError
from herdbook.pipeline.lake.part import REPAIR, file_hash
from herdbook.pipeline.operating_system import set_rights

FILE = "checked.sqlite"
DAY_S = 86_400.0
AT_ONCE = 4
TABLE = "CREATE TABLE IF NOT EXISTS checked (part TEXT PRIMARY KEY, hash TEXT, state TEXT, at REAL)"
State = tuple[int, ...]


class Soundness:
    """Of the parts below a root. store: the folder whose memory of checks it is. what: what one of them is called."""

    def __init__(self, root: Path, store: Path, what: str = "a part of the lake") -> None:
        self.root, self.file, self.what = root, store / FILE, what
        self.seen: dict[str, tuple[str, State]] = {}

    def compare(self, part: str, digest: str) -> None:
        """Once a process while the file stays as it is. Raises: DamagedPartError."""
        path = self.root / part
        state = self._state(path)
        if self.seen.get(part) != (digest, state):
            if file_hash(path) != digest:
                raise DamagedPartError(f"{self.what} is damaged", path, REPAIR)
            self.seen[part] = digest, state

    def note(self, named: Sequence[tuple[str, str]]) -> None:
        """These parts (with hashes) were hashed as they were written: nobody needs to read them again at once."""
        for part, digest in named:
            self.seen[part] = digest, self._state(self.root / part)
        self._keep(named, time.time())

    def vouch(self, named: Sequence[tuple[str, str]], days: float) -> None:
        """All of these parts (with hashes), as far as they were not compared within so many days and left alone since.

        Raises: DamagedPartError for the first one that is missing or damaged.
        """
        known = self._known([part for part, _ in named]) if named else {}
        now = time.time()
        due = []
        for part, digest in named:
            kept = known.get(part)
            state = _text(self._state(self.root / part))
            if kept is None or kept[:2] != (digest, state) or not 0 <= now - kept[2] < days * DAY_S:
                due.append((part, digest))
        if not due:
            return
        with ThreadPoolExecutor(AT_ONCE) as threads:
            list(threads.map(lambda one: self.compare(*one), due))
        self._keep(due, now)

    def _state(self, path: Path) -> State:
        """Raises: DamagedPartError when there is no such file."""
        try:
            about = path.stat()
        except FileNotFoundError:
            raise DamagedPartError(f"{self.what} is missing", path, REPAIR) from None
        return about.st_ino, about.st_size, about.st_mtime_ns, about.st_ctime_ns

    def _known(self, parts: Sequence[str]) -> dict[str, tuple[str, str, float]]:
        """Hash, state and time by part; nothing where the file cannot be read: then all is compared."""
        try:
            with closing(sqlite3.connect(f"file:{_quoted(self.file)}?mode=ro", uri=True, timeout=5)) as con:
                asked = "SELECT part, hash, state, at FROM checked WHERE part IN (SELECT value FROM json_each(?))"
                rows = con.execute(asked, [json.dumps(list(parts))]).fetchall()
                return {part: (digest, state, at) for part, digest, state, at in rows}
        except sqlite3.Error:
            return {}

    def _keep(self, checked: Iterable[tuple[str, str]], now: float) -> None:
        """A reader without the right to write compares again the next time."""
        rows = [(part, digest, _text(self.seen[part][1]), now) for part, digest in checked]
        for _ in range(2):
            try:
                with closing(sqlite3.connect(self.file, timeout=5)) as con, con:
                    con.execute(TABLE)
                    con.executemany("INSERT OR REPLACE INTO checked VALUES (?, ?, ?, ?)", rows)
                with suppress(OSError):
                    set_rights(self.file, 0o640)
                return
            except sqlite3.OperationalError:
                return
            except sqlite3.DatabaseError:  # it is damaged itself
                with suppress(OSError):
                    self.file.unlink(missing_ok=True)


def _text(state: State) -> str:
    return ".".join(map(str, state))


def _quoted(path: Path) -> str:
    from urllib.parse import quote

    return quote(str(path))
