"""Local copies of parts that live far away: checked by hash, the longest unused deleted when room runs out."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from herdbook.pipeline.lake.place import WORK

STEP = 0.02  # of the room: so much is added between two looks at the whole; engineering choice
HIGH, LOW = 0.9, 0.8  # of the room: from the one down to the other is deleted, so that several processes stay below it
FETCH = ".fetch"  # below the folder: where copies grow; a scan that clears its scratch disturbs no reader here
LEFT_S = 3600.0  # what is older there was left behind by a killed process
TOUCH_S = 60.0  # a use is noted on disk no more often
MOST_KNOWN = 100_000  # copies remembered as checked


class Copies:
    """A folder of copies, named as the parts are. Many processes may share it: files come by rename, and one that
    somebody deleted is fetched again."""

    def __init__(self, folder: Path, room: int) -> None:
        """room: bytes."""
        self.folder, self.room = folder, room
        self.checked: dict[str, tuple[object, ...]] = {}  # as they were when their hash was right
        self.added: int | None = None  # bytes since the last look at the whole; None: no look yet

    def find(self, part: str, digest: str = "") -> Path | None:
        """The copy of a part; one whose hash is not the digest (where that is known) is deleted."""
        from herdbook.pipeline.lake.part import file_hash

        path = self.folder / part
        try:
            if not path.is_file():
                return None
            if digest and self.checked.get(part) != (digest, *_state(path)):
                if file_hash(path) != digest:
                    path.unlink(missing_ok=True)
                    return None
                self._remember(part, digest, path)
            if time.time() - path.stat().st_mtime > TOUCH_S:
                os.utime(path)
                self._remember(part, digest, path)
        except FileNotFoundError:  # deleted by another process meanwhile
            return None
        return path

    def _remember(self, part: str, digest: str, path: Path) -> None:
        if not digest:
            return
        if len(self.checked) >= MOST_KNOWN:
            self.checked.clear()
        self.checked[part] = (digest, *_state(path))

    def put(self, part: str, path: Path, digest: str = "") -> Path:
        """Take a whole file in as the copy of a part. digest: its hash, where that was just checked."""
        target = self.folder / part
        target.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
        size = path.stat().st_size
        self._remember(part, digest, path)
        path.replace(target)
        self._make_room(size, target)
        return target

    def drop(self, part: str) -> None:
        (self.folder / part).unlink(missing_ok=True)

    def sizes(self) -> list[int]:
        return [size for _, size, _ in self._all()]

    def _all(self) -> Iterator[tuple[float, int, Path]]:
        """Time of use, size and path; what others delete meanwhile is passed over."""
        for folder, below, names in os.walk(self.folder):
            below[:] = [name for name in below if name not in (WORK, FETCH)]
            for path in (Path(folder, name) for name in names if name.endswith(".parquet")):
                with suppress(FileNotFoundError):
                    about = path.stat()
                    yield about.st_mtime, about.st_size, path

    def _make_room(self, size: int, newest: Path) -> None:
        """Delete the longest unused copies; never the newest, which is about to be read."""
        if self.added is not None and self.added + size < STEP * self.room:
            self.added += size
            return
        self.added = 0
        with suppress(FileNotFoundError):  # gone meanwhile: the next look does it
            for left in list((self.folder / FETCH).iterdir()):
                if time.time() - left.stat().st_mtime > LEFT_S:
                    shutil.rmtree(left, ignore_errors=True)
        found = sorted(self._all())
        total = sum(size for _, size, _ in found)
        if total <= HIGH * self.room:
            return
        for _, size, path in found:
            if total <= LOW * self.room:
                return
            if path != newest:
                path.unlink(missing_ok=True)
                total -= size


def _state(path: Path) -> tuple[int, int, int]:
    about = path.stat()
    return about.st_ino, about.st_size, about.st_mtime_ns
