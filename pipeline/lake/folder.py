"""A lake in a folder."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.lake.place import MARK, WORK, StoredPart, check_mark, inside, new_mark

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.lake.part import Part
    from herdbook.pipeline.lake.soundness import Soundness

PATTERN = set("*?[")  # what DuckDB takes for a pattern in the name of a file


def sql_path(path: Path) -> str:
    """A path for SQL, with * ? [ standing for themselves: else a neighbour's files would be read as well."""
    said = str(path)
    return said if PATTERN.isdisjoint(said) else "".join(f"[{c}]" if c in PATTERN else c for c in said)


class FolderLake:
    """Says no more than place.Lake, where its functions are described."""

    far = False

    def __init__(self, root: Path, store: Path) -> None:
        """root: the lake. store: the store's folder."""
        self.root, self.store = root, store

    @property
    def shown(self) -> str:
        return str(self.root)

    @property
    def scratch(self) -> Path:
        return self.root / WORK

    def check(self) -> None:
        self._stand_apart()
        try:
            mark = (self.root / MARK).read_text("ascii").strip()
        except (OSError, UnicodeDecodeError):
            raise StoreError("the lake is gone", self.shown, "Mount or restore it, then run again") from None
        if self.root != self.store / "lake":  # that is nobody else's, wherever the folder may be moved to
            check_mark(mark, self.store, self.shown)

    def _stand_apart(self) -> None:
        """A query may read whatever lies in the lake: that must not be the store's key and settings."""
        if self.store.resolve().is_relative_to(self.root.resolve()):
            do = "Name a folder for parts alone in herdbook.toml (lake = ...)"
            raise StoreError("the lake is the store's own folder, or holds it", self.shown, do)

    def glance(self) -> None:
        if not (self.root / MARK).exists():
            raise StoreError("the lake is gone", self.shown, "Mount or restore it, then run again")

    def begin(self) -> None:
        if "\\" in str(self.root) and PATTERN & set(str(self.root)):
            what = "SQL cannot name a path with a backslash and one of * ? ["
            raise StoreError(what, self.shown, "Use a folder with another name")
        self._stand_apart()
        self.root.mkdir(parents=True, exist_ok=True, mode=0o750)
        if self.root == self.store / "lake":
            (self.root / MARK).touch()
        elif (self.root / MARK).exists():
            self.check()
        else:
            (self.root / MARK).write_text(new_mark(self.store), "ascii")

    def open(self, part: str, digest: str = "") -> Part:
        from herdbook.pipeline.lake.part import Part

        if digest:
            self._soundness.compare(inside(part), digest)
        return Part.open(self.root / inside(part))

    @cached_property
    def _soundness(self) -> Soundness:
        from herdbook.pipeline.lake.soundness import Soundness

        return Soundness(self.root, self.store)

    def vouch(self, named: Sequence[tuple[str, str]], days: float) -> None:
        self._soundness.vouch([(inside(part), digest) for part, digest in named], days)

    @contextmanager
    def adding(self, part: str) -> Iterator[Path]:
        yield self.root / inside(part)

    def hash_of(self, part: str) -> str | None:
        from herdbook.pipeline.lake.part import file_hash

        path = self.root / inside(part)
        return file_hash(path) if path.is_file() else None

    def copy_out(self, part: str, target: Path) -> bool:
        try:
            shutil.copyfile(self.root / inside(part), target)
        except FileNotFoundError:
            return False
        return True

    def parts(self) -> list[StoredPart]:
        found = []
        for path in sorted(self.root.rglob("*.parquet")):
            name = path.relative_to(self.root)
            if WORK not in name.parts:
                about = path.stat()
                found.append(StoredPart(name.as_posix(), about.st_size, about.st_mtime_ns // 1000))
        return found

    def delete(self, part: str) -> None:
        (self.root / inside(part)).unlink(missing_ok=True)

    def restore(self, part: str, digest: str) -> bool:
        """There are no copies."""
        return False

    def address(self, part: str) -> str:
        return sql_path(self.root / inside(part))

    def serve(self, con: duckdb.DuckDBPyConnection, catalogue: Path | None = None) -> None:
        """Nothing: a view finds files by itself."""

    def trouble(self) -> StoreError | None:
        return None
