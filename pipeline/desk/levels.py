"""Prepared blocks of every log and role, kept in files: a cache that may be deleted at any time.

A file holds all items of one role (or one raw signal) of one log. Its name is a digest of the part's hash, the log, the
profile and the doubts about the log's time: what changes any of them makes another file. Together they take up MOST
bytes; what was not used for longest goes first.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
from collections import OrderedDict
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

import numpy as np

from herdbook.pipeline.desk.blocks import BLOCK, Blocks
from herdbook.pipeline.lake.read import LogRef

FORM = "1"  # another number when the file's form or the way to it changes
MOST = 2_000_000_000  # bytes on the disk
HELD = 256_000_000  # bytes in memory
LOOKED = 64  # files written between two looks at how much there is
Item = int | str
OfItems = Mapping[Item, Blocks]


def key_of(ref: LogRef, role: str, profile_hash: str) -> str:
    said = [FORM, BLOCK, ref.hash, ref.part, ref.log, ref.start, ref.end, ref.doubts, role, profile_hash]
    return hashlib.sha256(repr(said).encode()).hexdigest()[:40]


class Levels:
    """folder: in the store. spare: where nothing can be written there."""

    def __init__(self, folder: Path, spare: Path, most: int = MOST) -> None:
        self.folder, self.spare, self.most = folder, spare, most
        self._held: OrderedDict[str, OfItems] = OrderedDict()
        self._size = 0
        self._written = 0
        self._lock = threading.Lock()

    def find(self, key: str) -> OfItems | None:
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
        for folder in (self.folder, self.spare):
            path = folder / key[:2] / key
            with suppress(OSError, ValueError, KeyError):
                found = _read(path)
                os.utime(path)
                self._hold(key, found)
                return found
        return None

    def keep(self, key: str, of: OfItems) -> None:
        """Kept in memory in any case; a full disk keeps no file."""
        self._hold(key, of)
        for folder in (self.folder, self.spare):
            with suppress(OSError):
                _write(folder / key[:2] / key, of)
                break
        with self._lock:
            self._written += 1
            due = self._written % LOOKED == 1
        if due:
            self.make_room()

    def make_room(self) -> None:
        """Delete what was not used for longest, until the rest fits."""
        found = []
        for path in self.folder.glob("*/*"):
            with suppress(OSError):
                about = path.stat()
                found.append((about.st_mtime, about.st_size, path))
        total = sum(size for _, size, _ in found)
        for _, size, path in sorted(found):
            if total <= self.most:
                return
            with suppress(OSError):
                path.unlink()
                total -= size

    def _hold(self, key: str, of: OfItems) -> None:
        with self._lock:
            if before := self._held.pop(key, None):
                self._size -= _bytes(before)
            self._held[key] = of
            self._size += _bytes(of)
            while self._size > HELD and len(self._held) > 1:
                _, oldest = self._held.popitem(last=False)
                self._size -= _bytes(oldest)


def _bytes(of: OfItems) -> int:
    return sum(b.nbytes for b in of.values()) + 200


def _write(path: Path, of: OfItems) -> None:
    path.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
    head = json.dumps([[item, len(b), b.gap_us] for item, b in of.items()]).encode()
    draft = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}.tmp")
    try:
        with draft.open("wb") as file:
            file.write(len(head).to_bytes(8, "little") + head + b" " * (-len(head) % 8))
            for b in of.values():
                for array in (b.first, b.last, b.low, b.high, b.n.astype(np.int64), b.begins.astype(np.int64)):
                    file.write(np.ascontiguousarray(array).tobytes())
        draft.chmod(0o640)
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def _read(path: Path) -> OfItems:
    """Raises: OSError, ValueError for no whole file of ours."""
    whole = path.read_bytes()
    long = int.from_bytes(whole[:8], "little")
    at = 8 + long + -long % 8
    out: dict[Item, Blocks] = {}
    for item, n, gap_us in json.loads(whole[8 : 8 + long]):
        if at + 48 * n > len(whole):
            raise ValueError("cut short")
        whole_numbers = np.frombuffer(whole, np.int64, 6 * n, at).reshape(6, n)
        floats = np.frombuffer(whole, np.float64, 6 * n, at).reshape(6, n)
        at += 48 * n
        out[item] = Blocks(
            first=whole_numbers[0],
            last=whole_numbers[1],
            low=floats[2],
            high=floats[3],
            n=whole_numbers[4],
            begins=whole_numbers[5].astype(np.bool_),
            gap_us=gap_us,
        )
    return out
