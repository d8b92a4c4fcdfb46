"""What every lake is, wherever it lies: how it is asked, how it is marked as a store's own, what a part may be called.

    lake.open(part, hash)                    a part for reading
    with lake.adding(part) as path: ...      a part on its way in: whole in the lake, or not at all
    lake.hash_of(part)  parts()  delete(part)

part: the name in the catalogue, relative to the lake. Several processes may do all of this at once, also for one part.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Protocol
from uuid import uuid4

from herdbook.pipeline.errors import StoreError

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.lake.part import Part

MARK = ".herdbook-lake"  # tells a lake from the empty folder that is left when its disk is not mounted
OWN = "lake.id"  # in the store's folder: what the mark of its lake says, so that no two stores share one lake
WORK = ".work"  # below the lake or the cache: where files grow


@dataclass(frozen=True, slots=True)
class StoredPart:
    """A file of the lake, whether the catalogue knows it or not. changed: microseconds UTC."""

    part: str
    size: int
    changed: int


class Lake(Protocol):
    """A lake in a folder (folder.py) or behind an address (remote.py)."""

    @property
    def far(self) -> bool:
        """Whether parts are read from local copies, and asking for them costs."""

    @property
    def root(self) -> Path:
        """The lake's folder, or that of the local copies."""

    @property
    def store(self) -> Path:
        """The folder of the store whose lake it is."""

    @property
    def shown(self) -> str:
        """The lake's place, for people."""

    @property
    def scratch(self) -> Path:
        """Where parts grow before they are in the lake; emptied at the start of a scan."""

    def check(self) -> None:
        """Raises: StoreError when the lake is not there, is only the folder it is mounted on, or is another store's."""

    def glance(self) -> None:
        """The same at little cost, for in between."""

    def begin(self) -> None:
        """Begin a lake here, or find it begun. Raises: StoreError when another store has its lake here."""

    def open(self, part: str, digest: str = "") -> Part:
        """digest: SHA-256 that the catalogue has of it. Raises: DamagedPartError when it is missing or damaged."""

    def adding(self, part: str) -> AbstractContextManager[Path]:
        """A path to write the part to, or to find it at when the lake has it already; in the lake when this ends well.

        Raises: StoreError when the lake cannot be reached.
        """

    def hash_of(self, part: str) -> str | None:
        """SHA-256 of the file in the lake itself; None when there is none."""

    def copy_out(self, part: str, target: Path) -> bool:
        """Copy the file as it is, sound or not, to a place outside the lake; False when there is none."""

    def parts(self) -> list[StoredPart]:
        """Every part in the lake, by name."""

    def delete(self, part: str) -> None:
        """Nothing happens when there is none."""

    def restore(self, part: str, digest: str) -> bool:
        """Put a sound copy back where the lake's own is damaged or missing; False when there is none."""

    def vouch(self, named: Sequence[tuple[str, str]], days: float) -> None:
        """Before SQL reads these parts (with hashes): they are what was written, as of so many days ago at the latest.

        Raises: DamagedPartError for one that is missing or damaged.
        """

    def address(self, part: str) -> str:
        """By which SQL finds the part."""

    def serve(self, con: duckdb.DuckDBPyConnection, catalogue: Path | None = None) -> None:
        """Let the views of this connection find the parts. catalogue: the file that is open, to read hashes from once
        they are needed; without it they are read now."""

    def trouble(self) -> StoreError | None:
        """Why a view could not be read just now, when it was the lake's fault."""


def inside(part: str) -> str:
    """The part's name, if it stays below the lake. Raises: StoreError."""
    path = PurePosixPath(part)
    if not path.parts or path.is_absolute() or ".." in path.parts or "\\" in part or "\0" in part:
        do = "Run `herdbook store check --repair`"
        raise StoreError(f"{part!r} is no name of a part: it leads out of the lake", "catalogue", do)
    return part


def own_mark(store: Path) -> str:
    """What the mark of the store's lake says; "" for a lake in the store's own folder, or a copy of one."""
    try:
        return (store / OWN).read_text("ascii").strip()
    except FileNotFoundError:
        return ""


def new_mark(store: Path) -> str:
    """What the mark is to say, noted in the store first."""
    if not own_mark(store):
        (store / OWN).write_text(uuid4().hex, "ascii")
    return own_mark(store)


def check_mark(mark: str, store: Path, shown: str) -> None:
    """mark: as it stands in the lake. Raises: StoreError when it is not this store's."""
    if mark != own_mark(store):
        do = "Name a place for this store alone in herdbook.toml (lake = ...)"
        raise StoreError("the lake belongs to another store", shown, do)


@contextmanager
def writing(lake: Lake) -> Iterator[None]:
    """Errors of writing into the lake stop everything; they are not the log's fault. Raises: StoreError."""
    lake.glance()
    try:
        yield
    except OSError as error:
        lake.glance()
        do = "Make room and run again; what was committed stays"
        raise StoreError(f"the lake cannot be written ({_reason(error)})", lake.root, do) from None


def _reason(error: OSError) -> str:
    """In the system's words, also where Arrow puts its number into a long text of its own."""
    number = re.search(r"errno (\d+)", str(error))
    return os.strerror(int(number[1])) if number else error.strerror or str(error)
