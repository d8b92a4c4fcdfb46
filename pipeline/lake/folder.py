"""Where parts live: a folder (here), or object storage behind an address (pipeline/lake/remote.py).

    shelf.open(part, hash)                    a part for reading
    with shelf.adding(part) as path: ...      a part on its way in: whole in the lake, or not at all
    shelf.hash_of(part)  held()  delete(part)

part: the name in the catalogue, relative to the lake. Several processes may do all of this at once, also for one part.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING
from uuid import uuid4

from herdbook.pipeline.addresses import local
from herdbook.pipeline.errors import StoreError

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.lake.part import Part

MARK = ".herdbook-lake"  # tells a lake from the empty folder that is left when its disk is not mounted
OWN = "lake.id"  # in the store's folder: what the mark of its lake says, so that no two stores share one lake
WORK = ".work"  # below the lake or the cache: where files grow


@dataclass(frozen=True, slots=True)
class Held:
    """A file of the lake, whether the catalogue knows it or not. changed: microseconds UTC."""

    part: str
    size: int
    changed: int


class Shelf:
    """A lake in a folder."""

    far = False

    def __init__(self, root: Path, store: Path) -> None:
        """root: the lake. store: the store's folder."""
        self.root, self.store = root, store

    @property
    def shown(self) -> str:
        """The lake's place, for people."""
        return str(self.root)

    @property
    def scratch(self) -> Path:
        """Where parts grow before they are renamed into place; emptied at the start of a scan."""
        return self.root / WORK

    def check(self) -> None:
        """Raises: StoreError when the lake is not there, is only the folder it is mounted on, or is another store's."""
        try:
            mark = (self.root / MARK).read_text("ascii").strip()
        except (OSError, UnicodeDecodeError):
            raise StoreError("the lake is gone", self.shown, "Mount or restore it, then run again") from None
        self._look_at_owner(mark)

    def _look_at_owner(self, mark: str) -> None:
        if mark != _own(self.store) and self.root != self.store / "lake":
            do = "Name a place for this store alone in herdbook.toml (lake = ...)"
            raise StoreError("the lake belongs to another store", self.shown, do)

    def glance(self) -> None:
        """The same at little cost, for in between."""
        if not (self.root / MARK).exists():
            raise StoreError("the lake is gone", self.shown, "Mount or restore it, then run again")

    def lay(self) -> None:
        """Begin a lake here, or find it begun. Raises: StoreError when another store has its lake here."""
        self.root.mkdir(parents=True, exist_ok=True, mode=0o750)
        if self.root == self.store / "lake":  # nobody else's, wherever the folder may be moved to
            (self.root / MARK).touch()
        elif (self.root / MARK).exists():
            self.check()
        else:
            (self.root / MARK).write_text(new_own(self.store), "ascii")

    def open(self, part: str, digest: str = "") -> Part:
        """digest: SHA-256 that the catalogue has of it. Raises: DamagedPartError when it is missing or damaged."""
        from herdbook.pipeline.lake.part import Part

        return Part.open(self.root / inside(part))

    @contextmanager
    def adding(self, part: str) -> Iterator[Path]:
        """A path to write the part to, or to find it at when the lake has it already; in the lake when this ends well.

        Raises: StoreError when the lake cannot be reached.
        """
        yield self.root / inside(part)

    def hash_of(self, part: str) -> str | None:
        """SHA-256 of the file in the lake; None when there is none."""
        from herdbook.pipeline.lake.part import file_hash

        path = self.root / inside(part)
        return file_hash(path) if path.is_file() else None

    def held(self) -> list[Held]:
        """Every part in the lake, by name."""
        found = []
        for path in sorted(self.root.rglob("*.parquet")):
            name = path.relative_to(self.root)
            if WORK not in name.parts:
                about = path.stat()
                found.append(Held(name.as_posix(), about.st_size, about.st_mtime_ns // 1000))
        return found

    def delete(self, part: str) -> None:
        (self.root / inside(part)).unlink(missing_ok=True)

    def restore(self, part: str, digest: str) -> bool:
        """Put a sound copy back where the lake's own is damaged or missing; False when there is none."""
        return False

    def address(self, part: str) -> str:
        """By which SQL finds the part."""
        return str(self.root / inside(part))

    def serve(self, con: duckdb.DuckDBPyConnection, catalogue: Path | None = None) -> None:
        """Let the views of this connection find the parts. catalogue: the file that is open, to read hashes from once
        they are needed; without it they are read now."""

    def trouble(self) -> StoreError | None:
        """Why a view could not be read just now, when it was the lake's fault."""
        return None


def inside(part: str) -> str:
    """The part's name, if it stays below the lake. Raises: StoreError."""
    path = PurePosixPath(part)
    if not path.parts or path.is_absolute() or ".." in path.parts or "\\" in part or "\0" in part:
        do = "Run `herdbook store check --repair`"
        raise StoreError(f"{part!r} is no name of a part: it leads out of the lake", "catalogue", do)
    return part


def _own(store: Path) -> str:
    try:
        return (store / OWN).read_text("ascii").strip()
    except FileNotFoundError:
        return ""  # a lake in the store's own folder, or a copy of one


def new_own(store: Path) -> str:
    """What the mark is to say, noted in the store first."""
    if not _own(store):
        (store / OWN).write_text(uuid4().hex, "ascii")
    return _own(store)


@lru_cache(maxsize=64)
def shelf_of(store: Path, lake: str, cache_gb: float) -> Shelf:
    """The shelf of a store whose settings say this; one for all of a process."""
    folder = local(lake, store) if lake else store / "lake"
    if folder is not None:
        return Shelf(folder, store)
    from herdbook.pipeline.lake.remote import FarShelf

    return FarShelf(lake, store, round(cache_gb * 1e9))
