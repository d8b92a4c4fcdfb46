"""Source: the bytes of a log, unpacked from gzip, UTF-16 turned to ASCII, never all at once."""

from __future__ import annotations

import codecs
import io
import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

import numpy as np

from herdbook.decoders.arrays import Bytes
from herdbook.decoders.reading import inflate
from herdbook.decoders.text.fields import PAD

Lose = Callable[[str, int, int, str], None]  # kind, offset, bytes, detail: see herdbook.decoders.reading.reader.Loss

GZIP = b"\x1f\x8b\x08"
READ_BYTES = 1 << 18
BLOCK_BYTES = 1 << 19  # of text, cut at a line end: fits the second-level cache together with its columns
MAX_LINE = 1 << 16  # bytes; no text format has lines near this
MAX_RATIO = 300  # a log unpacks to 5 to 20 times its size; past this it is a bomb ...
FREE_BYTES = 1 << 28  # ... unless it is small anyway
LOOK_BYTES = 1 << 26  # how often the room is looked at while a log is unpacked to the disk
KEEP_FREE = 1 << 30  # bytes that others need there; engineering choice


class Source:
    """A forward-only stream over one file. `offset` counts unpacked bytes given out so far.

    lose: told of bytes that are lost on the way. data: the whole file, where the caller has read it already. spool: the
    folder for temporary files; else the system's. plain: the bytes are those of the file, from its first one on.
    """

    _begun = b""  # of a line, ahead of the first block
    _goes_on = False  # what is behind our end is somebody else's

    def __init__(self, path: Path, lose: Lose, data: bytes | None = None, spool: Path | None = None) -> None:
        self.path, self.spool = path, spool
        self._lose = lose
        self.size = path.stat().st_size if data is None else len(data)
        self.file: IO[bytes] = path.open("rb") if data is None else io.BytesIO(data)
        weakref.finalize(self, self.file.close)  # also when a caller stops half-way
        start = self.file.read(len(GZIP))
        self.file.seek(0)
        self.packed = start == GZIP
        self.offset = 0
        self._held = b""
        self.trouble: tuple[str, str] | None = None  # loss of the packed file, not yet told
        self._stream = self._unpacked() if self.packed else self._plain()
        self._direct = not self.packed
        head = self.peek(64)
        self.plain = data is None and not (self.packed or _wide(head) or head.startswith(codecs.BOM_UTF8))
        if code := _wide(head):
            rest, self._held, self._direct = self._held, b"", False
            self._stream = _ascii(rest, self._stream, code)
        elif head.startswith(codecs.BOM_UTF8):
            self._held = self._held[3:]

    def lose_to(self, lose: Lose) -> None:
        """Tell somebody else of losses from now on."""
        self._lose = lose

    def peek(self, n: int) -> bytes:
        """The next n bytes without taking them; fewer at the end."""
        while len(self._held) < n and (more := next(self._stream, b"")):
            self._held += more
        return self._held[:n]

    def read(self, n: int) -> bytes:
        """The next n bytes; fewer at the end. Callers bound n."""
        parts, have = [self._held], len(self._held)
        while have < n and (more := next(self._stream, b"")):
            parts.append(more)
            have += len(more)
        whole = b"".join(parts)
        self._held = whole[n:]
        self.offset += min(n, len(whole))
        self._tell()
        return whole[:n]

    def blocks(self, whole: Callable[[bytes], bool]) -> Iterator[tuple[int, Bytes]]:
        """Text in pieces that end at a line end, each with its offset; every line end is a newline.

        whole: asked about a last line without a line end, whether nothing can be missing of it. When something
        can, the line is dropped and accounted for: half a frame is not passed on as a shorter one.

        A piece has PAD newlines before and behind its text. It is valid until the next one is asked for.
        A line longer than MAX_LINE is dropped and accounted for, however long it is.
        """
        store = bytearray(b"\n" * (2 * PAD + MAX_LINE + BLOCK_BYTES))
        text, view = np.frombuffer(store, np.uint8), memoryview(store)
        rest = self._begun
        while True:
            store[PAD : PAD + len(rest)] = rest
            fresh = PAD + len(rest)
            at, end = self.offset - len(rest), fresh + self.read_into(view[fresh : PAD + len(rest) + BLOCK_BYTES])
            if end == fresh:
                if self._goes_on:
                    return
                if rest.strip() and not whole(rest):
                    self._lose("cut", at, len(rest), f"the file ends inside a line, or may do so: {rest[:60]!r}")
                elif rest.strip():
                    store[end : end + PAD + 1] = b"\n" * (PAD + 1)
                    yield at, text[: end + PAD + 1]
                return
            if store.find(b"\r", fresh, end) >= 0:
                text[fresh:end][text[fresh:end] == 13] = 10
            cut = max(store.rfind(b"\n", PAD, end) + 1, PAD)
            rest = bytes(view[cut:end])
            if cut > PAD:
                store[cut : cut + PAD] = b"\n" * PAD
                yield at, text[: cut + PAD]
            if len(rest) > MAX_LINE:
                at = self.offset - len(rest)
                rest = self._skip_line()
                self._lose("limit", at, self.offset - len(rest) - at, f"a line of over {MAX_LINE} bytes")

    def read_into(self, room: memoryview) -> int:
        """Fill as much of the room as there is; bytes filled, 0 at the end."""
        done = min(len(self._held), len(room))
        room[:done] = self._held[:done]
        self._held = self._held[done:]
        while done < len(room):
            if self._direct:
                n = self.file.readinto(room[done:])  # type: ignore[attr-defined]
                if not n:
                    break
            else:
                if not (more := next(self._stream, b"")):
                    break
                n = min(len(more), len(room) - done)
                room[done : done + n] = more[:n]
                self._held = more[n:]
            done += n
        self.offset += done
        self._tell()
        return done

    def on_disk(self) -> Path:
        """A path with the unpacked content, for libraries that seek; a temporary file when packed."""
        if not self.packed:
            return self.path
        spool, looked = self.temporary(self.path.with_suffix("").suffix), 0
        while piece := self.read(READ_BYTES):
            spool.write(piece)
            if self.offset - looked >= LOOK_BYTES:
                looked = self.offset
                if shutil.disk_usage(spool.name).free < KEEP_FREE:
                    left = max(1, self.size - self.file.tell())
                    self._lose("limit", self.offset, left, "unpacked, the log leaves no room on the disk")
                    break
        spool.flush()
        return Path(spool.name)

    def temporary(self, suffix: str) -> IO[bytes]:
        """A file that is removed with this source; where the process is killed, by whoever keeps the folder clean."""
        if self.spool is not None:
            self.spool.mkdir(parents=True, exist_ok=True, mode=0o750)
        made = tempfile.NamedTemporaryFile(prefix="herdbook-", suffix=suffix, dir=self.spool)  # noqa: SIM115
        weakref.finalize(self, made.close)
        return made

    def _skip_line(self) -> bytes:
        """Everything up to the next line end is thrown away; returns what was read behind it."""
        while piece := self.read(READ_BYTES):
            piece = piece.replace(b"\r", b"\n")
            if (end := piece.find(b"\n")) >= 0:
                return piece[end + 1 :]
        return b""

    def _plain(self) -> Iterator[bytes]:
        while piece := self.file.read(READ_BYTES):
            yield piece

    def _unpacked(self) -> Iterator[bytes]:
        """Members of a gzip file, one after the other, in pieces of bounded size."""
        out, packed = 0, 0
        machine = None  # between two members
        while data := self.file.read(READ_BYTES >> 2):
            packed += len(data)
            while data:
                machine = machine or inflate.machine(wbits=31)
                try:
                    piece = machine.decompress(data, READ_BYTES)
                except inflate.ERRORS as e:
                    self.trouble = ("record", f"damaged gzip data near packed byte {packed - len(data)}: {e}")
                    return
                out += len(piece)
                if out > FREE_BYTES and out > MAX_RATIO * packed:
                    self.trouble = ("limit", f"gzip data unpacks to more than {MAX_RATIO} times its size")
                    return
                if piece:
                    yield piece
                data = machine.unconsumed_tail
                if machine.eof:
                    data = machine.unused_data.lstrip(b"\0")
                    machine = None
        if machine is not None:
            self.trouble = ("cut", "the gzip file ends before its end mark")

    def _tell(self) -> None:
        if self.trouble:
            kind, detail = self.trouble
            self.trouble = None
            left = max(1, self.size - self.file.tell())
            self._lose(kind, self.offset + len(self._held), left, detail)


def _wide(head: bytes) -> str:
    """The UTF-16 encoding that text begins in, told by its mark or by every other byte being zero; else ""."""
    if head[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        return "utf-16"
    even, odd = head[0::2], head[1::2]
    if len(head) >= 16 and not any(odd) and all(even):
        return "utf-16-le"
    return "utf-16-be" if len(head) >= 16 and not any(even) and all(odd) else ""


def _ascii(head: bytes, stream: Iterator[bytes], code: str) -> Iterator[bytes]:
    """UTF-16 to ASCII; what has no ASCII form becomes a question mark."""
    decoder = codecs.getincrementaldecoder(code)(errors="replace")
    yield decoder.decode(head).encode("ascii", "replace")
    for piece in stream:
        if text := decoder.decode(piece):
            yield text.encode("ascii", "replace")
    if text := decoder.decode(b"", final=True):
        yield text.encode("ascii", "replace")
