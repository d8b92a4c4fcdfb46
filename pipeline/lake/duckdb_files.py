"""Views over a far lake: DuckDB asks us for each file of the lake's address and gets the local copy.

So `s3://...` in a view needs no extension of DuckDB here. Another DuckDB that opens fleet.duckdb reads the same address
by its own httpfs extension.
"""

from __future__ import annotations

import io
from contextlib import suppress
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from fsspec import AbstractFileSystem

from herdbook.pipeline.errors import StoreError

if TYPE_CHECKING:
    import duckdb

HASHES = "SELECT DISTINCT part, hash FROM parts"


class FarParts(Protocol):
    """What is asked of a far lake here. failed: why a view could not be read, for Lake.trouble()."""

    url: str
    failed: StoreError | None

    @property
    def scheme(self) -> str: ...

    @property
    def shown(self) -> str: ...

    def get(self, part: str, digest: str = "") -> Path: ...


def register(con: duckdb.DuckDBPyConnection, lake: FarParts, catalogue: Path | None) -> None:
    """Once a database, whichever of its connections comes first."""
    import duckdb

    if con.filesystem_is_registered(lake.scheme):
        return
    files = PartFileSystem(lake, catalogue)
    if catalogue is None:
        files.hashes = dict(con.execute(HASHES).fetchall())
    with suppress(duckdb.Error):  # another thread was faster
        con.register_filesystem(files)


class OpenCopy(io.BufferedReader):
    """DuckDB drops files without closing them."""

    def __del__(self) -> None:
        self.close()


class PartFileSystem(AbstractFileSystem):  # type: ignore[misc]
    """Only what DuckDB asks of a file system to read files whose names it knows."""

    cachable = False

    def __init__(self, lake: FarParts, catalogue: Path | None) -> None:
        super().__init__()
        self.lake, self.catalogue, self.protocol = lake, catalogue, lake.scheme

    @cached_property
    def hashes(self) -> dict[str, str]:
        """By part, as the open catalogue has them."""
        import duckdb

        con = duckdb.connect(str(self.catalogue), read_only=True)
        try:
            return dict(con.execute(HASHES).fetchall())
        finally:
            con.close()

    def _copy(self, path: str) -> OpenCopy:
        """The part's local copy, open, so that nobody can take it away."""
        part = path.removeprefix(f"{self.lake.url}/")
        try:
            if part == path:
                raise StoreError("is not in the lake of this store", path, f"The lake is {self.lake.shown}")
            while True:
                copy = self.lake.get(part, self.hashes.get(part, ""))
                with suppress(FileNotFoundError):
                    return OpenCopy(io.FileIO(copy))
        except StoreError as error:
            self.lake.failed = error
            raise

    def open(self, path: str, mode: str = "rb", **_: Any) -> OpenCopy:
        return self._copy(path)

    def info(self, path: str, **_: Any) -> dict[str, Any]:
        with self._copy(path) as file:
            return {"name": path, "size": file.seek(0, io.SEEK_END), "type": "file"}

    def glob(self, path: str, **_: Any) -> list[str]:
        return [path]

    def exists(self, path: str, **_: Any) -> bool:
        return path.startswith(f"{self.lake.url}/")

    def modified(self, path: str) -> datetime:
        """The same for all time: a part is never changed, and another one has another name."""
        return datetime(2000, 1, 1, tzinfo=UTC)
