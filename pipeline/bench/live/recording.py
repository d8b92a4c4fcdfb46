"""The log of a bus, written so that a kill at any time leaves files that can be read.

Text lines, one a frame, given to the system at once; the last may be cut, and then counts as lost when it is read. A
file that is full or old is closed and the next one begun; no file that is there is ever written over.
"""

from __future__ import annotations

import errno
import json
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.times import S, from_micros

SYNC_S = 2.0  # what a power cut may take
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@dataclass(frozen=True, slots=True)
class Rotation:
    """When the next file begins: at so many bytes, or after so long. [bytes, s]"""

    size: int = 256_000_000
    seconds: float = 3600.0


class Recording:
    """Log files in a folder, made when the first frames come. files: all of them; size: bytes in all.

    sidecar: what is known of the unit, put beside each file as TOML, so that a scan knows whose the log is.
    """

    def __init__(self, folder: Path, name: str, rotation: Rotation, sidecar: dict[str, str | bool]) -> None:
        self.folder, self.name, self.rotation, self.sidecar = folder, name, rotation, sidecar
        self.files: list[Path] = []
        self.size = 0
        self._handle = -1
        self._in_file, self._until = 0, 0
        self._sync = threading.Event()
        self._syncing: threading.Thread | None = None
        with _told(folder):
            folder.mkdir(parents=True, exist_ok=True)
            if not os.access(folder, os.W_OK):
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(folder))

    def write(self, lines: bytes, t: int) -> None:
        """Whole lines, the first of them at t (microseconds UTC). Raises: StoreError; what was written stays."""
        with _told(self.folder):
            if self._handle < 0 or self._in_file >= self.rotation.size or t >= self._until:
                self._next(t)
            view = memoryview(lines)
            while view:
                done = os.write(self._handle, view)
                view = view[done:]
                self.size, self._in_file = self.size + done, self._in_file + done

    def close(self) -> None:
        """Make all that was written last."""
        self._sync.set()
        if self._syncing is not None:
            self._syncing.join(timeout=10.0)
            self._syncing = None
        if self._handle >= 0:
            with suppress(OSError):  # what the system took stays; it cannot be mended here
                os.fsync(self._handle)
            os.close(self._handle)
            self._handle = -1

    def _next(self, t: int) -> None:
        self.close()
        path = self._free(f"{self.name}_{from_micros(t):%Y-%m-%dT%H-%M-%SZ}")
        if self.sidecar:
            beside = "".join(
                f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in self.sidecar.items()
            )
            path.with_name(path.name + ".toml").write_text(beside, "utf-8")
        self._handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o640)
        self.files.append(path)
        self._in_file, self._until = 0, t + int(self.rotation.seconds * S)
        self._sync = threading.Event()
        self._syncing = threading.Thread(target=_keep_synced, args=(self._handle, self._sync), daemon=True)
        self._syncing.start()

    def _free(self, name: str) -> Path:
        path, more = self.folder / f"{name}.log", 1
        while path.exists() or path.with_name(path.name + ".toml").exists():
            more += 1
            path = self.folder / f"{name}_{more}.log"
        return path


def _keep_synced(handle: int, stopped: threading.Event) -> None:
    """Beside the writing, which must not wait for a slow disk."""
    while not stopped.wait(SYNC_S):
        with suppress(OSError):
            os.fsync(handle)


@contextmanager
def _told(folder: Path) -> Iterator[None]:
    """Errors of the disk in words."""
    try:
        yield
    except OSError as error:
        if error.errno in NO_ROOM:
            do = "Make room, or name a folder on another disk with --out, and listen again"
            raise StoreError("there is no room left for the log; what was recorded stays", folder, do) from None
        do = "Check the folder's path and rights; what was recorded stays"
        raise StoreError(f"the log cannot be written ({error.strerror or error})", folder, do) from None
