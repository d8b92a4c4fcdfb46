"""A lake behind an fsspec address (s3://bucket/prefix, ...): parts are uploaded whole, and read from local copies.

Credentials and the service's address come from the environment, as the file system's own library has it (for S3:
AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY, AWS_ENDPOINT_URL, or FSSPEC_S3_...); so do its retries.
"""

from __future__ import annotations

import errno
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cached_property
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from herdbook.pipeline.addresses import shown
from herdbook.pipeline.errors import DamagedPartError, HerdbookError, SettingsError, StoreError
from herdbook.pipeline.extras import missing_extra
from herdbook.pipeline.lake.copy_cache import FETCH, Copies
from herdbook.pipeline.lake.listing import files_below
from herdbook.pipeline.lake.place import MARK, WORK, StoredPart, check_mark, inside, new_mark
from herdbook.pipeline.times import now_us

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.lake.part import Part

WHOLE = {"s3", "s3a", "gs", "gcs", "abfs", "az", "adl", "oci", "memory"}  # here an object is seen once it is whole
TRIES = 5  # other processes may delete a copy before we have opened it
FULL = {errno.ENOSPC, errno.EDQUOT}
MOVED = "Check the address and run again; a lake that is moved takes this file along"
AGAIN = "Check address, network and the credentials in the environment, then run again; what was committed stays"


class RemoteLake:
    """A lake behind an address; what its functions promise stands in place.Lake. root: the local folder of copies."""

    far = True

    def __init__(self, url: str, store: Path, room: int) -> None:
        """room: bytes that the copies may take."""
        self.root, self.store = store / "cache", store
        self.url, self.copies = url.rstrip("/"), Copies(self.root, room)
        self.failed: StoreError | None = None

    @property
    def shown(self) -> str:
        return shown(self.url)

    @property
    def scratch(self) -> Path:
        return self.root / WORK

    @property
    def scheme(self) -> str:
        return self.url.partition("://")[0]

    def address(self, part: str) -> str:
        return f"{self.url}/{inside(part)}"

    @cached_property
    def _place(self) -> tuple[Any, str]:
        """The file system and our root in it."""
        import fsspec

        try:
            files, root = fsspec.core.url_to_fs(self.url)
        except (ImportError, ValueError) as error:
            if isinstance(error, ImportError) and (extra := missing_extra(error, "the lake", self.shown)):
                raise extra from None
            what = f"the lake's kind of address is not known: {error}"
            raise SettingsError(what, self.shown, "Install what it names") from None
        return files, str(root).rstrip("/")

    def _key(self, part: str) -> str:
        return f"{self._place[1]}/{inside(part)}"

    @contextmanager
    def _asked(self) -> Iterator[Any]:
        """The file system; its errors in our words."""
        try:
            yield self._place[0]
        except HerdbookError:
            raise
        except Exception as error:  # every file system has errors of its own
            if isinstance(error, OSError) and (error.errno in FULL or _is_ours(error, self.root)):
                with self._writing():
                    raise
            if isinstance(error, FileNotFoundError):
                raise StoreError(f"the lake is gone: there is no {MARK}", self.shown, MOVED) from None
            said = "refuses us" if isinstance(error, PermissionError) else "cannot be reached"
            what = f"the lake {said} ({type(error).__name__}: {_brief(error)})"
            raise StoreError(what, self.shown, AGAIN) from None

    def check(self) -> None:
        with self._asked() as files:
            mark = files.cat_file(f"{self._place[1]}/{MARK}")
        check_mark(bytes(mark).decode("ascii", "replace").strip(), self.store, self.shown)

    def glance(self) -> None:
        """Nothing: whatever we ask of it next says whether it is there."""

    def begin(self) -> None:
        mark = f"{self._place[1]}/{MARK}"
        with self._asked() as files:
            files.invalidate_cache()
            there = files.exists(mark)
            if not there:
                with suppress(NotImplementedError):
                    files.makedirs(self._place[1], exist_ok=True) if self.scheme not in WHOLE else None
                files.pipe_file(mark, new_mark(self.store).encode("ascii"))
        if there:
            self.check()

    def open(self, part: str, digest: str = "") -> Part:
        from herdbook.pipeline.lake.part import Part

        sure = bool(digest)  # else it may be the copy alone that is damaged
        for _ in range(TRIES):
            path = self.get(part, digest)
            try:
                return Part.open(path)
            except DamagedPartError as error:
                if path.exists() and sure:
                    raise DamagedPartError(error.what, shown(self.address(part)), error.do) from None
                sure = path.exists()  # if not: another process made room
                self.copies.drop(part)
        raise StoreError("copies vanish as fast as they are fetched", self.root, "Raise [keep] cache_gb")

    def get(self, part: str, digest: str = "") -> Path:
        """A local copy, which other processes may delete again: open it at once.

        Raises: DamagedPartError when it is missing there, or not the file that was written; StoreError.
        """
        from herdbook.pipeline.lake.part import REPAIR, file_hash

        path = self.copies.find(inside(part), digest)
        if path is not None:
            return path
        with self._fetched(part) as copy:
            if digest and file_hash(copy) != digest:
                raise DamagedPartError("a part of the lake is damaged", shown(self.address(part)), REPAIR)
            return self._keep(part, copy, digest)

    def _keep(self, part: str, copy: Path, digest: str = "") -> Path:
        with self._writing():
            return self.copies.put(part, copy, digest)

    @contextmanager
    def _fetched(self, part: str) -> Iterator[Path]:
        from herdbook.pipeline.lake.part import REPAIR

        with self._folder(self.root / FETCH) as folder:
            copy = folder / PurePosixPath(part).name
            if not self._fetch(part, copy):
                self.check()  # is it the part that is missing, or the lake?
                raise DamagedPartError("a part of the lake is missing", shown(self.address(part)), REPAIR)
            yield copy

    def _fetch(self, part: str, copy: Path) -> bool:
        """False when the lake does not have it."""
        with self._asked() as files:
            try:
                files.get_file(self._key(part), str(copy))
            except FileNotFoundError as error:
                if _is_ours(error, self.root):
                    raise
        return copy.is_file()

    @contextmanager
    def _folder(self, where: Path) -> Iterator[Path]:
        """A scratch folder of our own."""
        with self._writing():
            where.mkdir(parents=True, exist_ok=True, mode=0o750)
            folder = tempfile.TemporaryDirectory(dir=where, prefix=".part-", ignore_cleanup_errors=True)
        with folder as name:
            yield Path(name)

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """Local errors in our words; they are neither the lake's fault nor a log's."""
        try:
            yield
        except OSError as error:
            what = f"the folder of copies cannot be written ({error.strerror or error})"
            raise StoreError(what, self.root, "Make room or mend its rights; what was committed stays") from None

    @contextmanager
    def adding(self, part: str) -> Iterator[Path]:
        with self._folder(self.scratch) as folder:
            path = folder / PurePosixPath(inside(part)).name
            self._fetch(part, path)
            before = _stamp(path)
            yield path
            if (now := _stamp(path)) is None:
                return
            if now != before:
                self._upload(path, self._key(part))
            self._keep(part, path)

    def _upload(self, path: Path, key: str) -> None:
        """Seen whole or not at all."""
        with self._asked() as files:
            if self.scheme in WHOLE:
                files.put_file(str(path), key)
                return
            temporary = f"{self._place[1]}/{WORK}/{uuid4().hex}.parquet"  # if we are killed, upkeep deletes it one day
            for name in (temporary, key):
                files.makedirs(name.rpartition("/")[0], exist_ok=True)
            files.put_file(str(path), temporary)
            files.mv(temporary, key)

    def hash_of(self, part: str) -> str | None:
        """Of the object itself, not of a copy."""
        from herdbook.pipeline.lake.part import file_hash

        try:
            with self._fetched(part) as copy:
                return file_hash(copy)
        except DamagedPartError:
            return None

    def copy_out(self, part: str, target: Path) -> bool:
        return self._fetch(part, target)

    def restore(self, part: str, digest: str) -> bool:
        from herdbook.pipeline.lake.part import file_hash

        with self._folder(self.scratch) as folder:
            copy = folder / PurePosixPath(inside(part)).name
            with self._writing():
                if (kept := self.copies.find(part, digest)) is not None:
                    with suppress(FileNotFoundError):  # another process made room
                        shutil.copyfile(kept, copy)
                if not copy.exists() or file_hash(copy) != digest:
                    return False
            self._upload(copy, self._key(part))
        return True

    def parts(self) -> list[StoredPart]:
        with self._asked() as files:
            files.invalidate_cache()
            listed = files_below(files, self._place[1])
        out = []
        for file in listed:
            part = file.name.removeprefix(self._place[1]).removeprefix("/")
            if part.endswith(".parquet") and _is_plain(part):
                changed = now_us() if file.changed is None else file.changed  # so that nothing is taken for old
                out.append(StoredPart(part, file.size, changed))
        return out

    def delete(self, part: str) -> None:
        with self._asked() as files, suppress(FileNotFoundError):
            files.rm_file(self._key(part))
        self.copies.drop(part)

    def vouch(self, named: Sequence[tuple[str, str]], days: float) -> None:
        """Nothing: a copy is compared with its hash whenever SQL asks for it."""

    def serve(self, con: duckdb.DuckDBPyConnection, catalogue: Path | None = None) -> None:
        from herdbook.pipeline.lake.duckdb_files import register

        register(con, self, catalogue)

    def trouble(self) -> StoreError | None:
        found, self.failed = self.failed, None
        return found


def _stamp(path: Path) -> tuple[int, int, int] | None:
    try:
        about = path.stat()
    except FileNotFoundError:
        return None
    return about.st_ino, about.st_size, about.st_mtime_ns


def _is_plain(part: str) -> bool:
    """Could be one of ours; other people's objects are not touched."""
    names = part.split("/")
    return not {"", ".", ".."} & set(names) and "\\" not in part and "\0" not in part


def _is_ours(error: OSError, folder: Path) -> bool:
    """About a local file; errors about objects name none."""
    return isinstance(error.filename, str) and error.filename.startswith(str(folder))


def _brief(error: Exception) -> str:
    """The first line, without an address that may hold more than people should see."""
    text = str(error).strip().splitlines()
    return text[0][:200] if text else "no reason given"
