"""The log of a bus, written so that a kill at any time leaves files that can be read.

Text lines, one a frame, given to the system at once; the last may be cut, and then counts as lost when it is read. A
file that is full or old is closed and the next one begun; no file that is there is ever written over.
"""

from __future__ import annotations

import errno
import json
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.operating_system import sync_folder
from herdbook.pipeline.store.whole_file import whole
from herdbook.pipeline.times import S, from_micros

SYNC_S = 2.0  # what a power cut may take
MOST_BYTES = 64_000_000  # that wait for the disk: about three minutes at full load
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
        self._synced = 0.0
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

    def sync(self) -> None:
        """Make what was written outlast a power cut, every SYNC_S at most."""
        if self._handle >= 0 and time.monotonic() - self._synced > SYNC_S:
            with suppress(OSError):  # what the system took stays; it cannot be mended here
                os.fsync(self._handle)
            self._synced = time.monotonic()

    def close(self) -> None:
        self._synced = 0.0
        self.sync()
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1

    def _next(self, t: int) -> None:
        self.close()
        path = self._free(f"{self.name}_{from_micros(t):%Y-%m-%dT%H-%M-%SZ}")
        if self.sidecar:
            beside = "".join(
                f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in self.sidecar.items()
            )
            with whole(path.with_name(path.name + ".toml")) as draft:
                draft.write_text(beside, "utf-8")
        self._handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o640)
        self.files.append(path)
        self._in_file, self._until = 0, t + int(self.rotation.seconds * S)
        with suppress(OSError):
            sync_folder(self.folder)  # the file's name, too

    def _free(self, name: str) -> Path:
        path, more = self.folder / f"{name}.log", 1
        while path.exists() or path.with_name(path.name + ".toml").exists():
            more += 1
            path = self.folder / f"{name}_{more}.log"
        return path


class Writing:
    """A recording written by a thread of its own: a slow disk keeps neither frames nor values waiting. At most `most`
    bytes wait for it; lines that find no room are left out and their frames counted in `dropped`. failed: why it ended.
    """

    def __init__(self, recording: Recording, most: int = MOST_BYTES) -> None:
        self.recording, self.most = recording, most
        self.dropped = 0
        self.failed: Exception | None = None
        self._given, self._done = 0, 0
        self._queue: SimpleQueue[tuple[bytes, int] | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    def put(self, lines: bytes, t: int, frames: int) -> None:
        """As Recording.write(), of so many frames."""
        if self._given - self._done + len(lines) > self.most:
            self.dropped += frames
            return
        self._given += len(lines)
        self._queue.put((lines, t))

    def close(self) -> None:
        """When all that waits is written."""
        self._queue.put(None)
        self._thread.join()

    def _run(self) -> None:
        try:
            while True:
                try:
                    given = self._queue.get(timeout=SYNC_S)
                except Empty:
                    self.recording.sync()
                    continue
                if given is None:
                    break
                self.recording.write(*given)
                self._done += len(given[0])
                self.recording.sync()
        except Exception as error:
            self.failed = error
        finally:
            self.recording.close()


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
