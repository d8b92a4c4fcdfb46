"""The inbox: what lies in it, and which of it is to be taken in now.

Nothing is passed over without a word. Whatever lies there is a log to take in, waiting (why, and until when), refused
(it goes to quarantine like a log that cannot be used) or, by its name, no log at all; and each thing stands alone: a
name that is no text, a link in a circle or a folder without rights stops nothing else.
"""

from __future__ import annotations

import errno
import os
import stat
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.outcome import CANNOT_OPEN, Entry, LogFile, QuarantinedLog
from herdbook.pipeline.intake.sidecar import sidecar_path
from herdbook.pipeline.intake.waiting import NOT_LOGS, Waiting
from herdbook.pipeline.times import S, now_us

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

UNFINISHED = (".part", ".partial", ".tmp", ".crdownload", ".filepart", "~", ".swp")  # common practice of copiers
NO_TEXT = "The name is not UTF-8: rename it, and the next scan takes it in"
LINK = "Put the file itself into the inbox, or remove the link"


@dataclass(slots=True)
class Look:
    """Everything under an inbox, each in one place. others: hidden, or by their names no logs (sidecars, texts)."""

    logs: list[Path] = field(default_factory=list)
    waiting: list[Waiting] = field(default_factory=list)
    refused: list[QuarantinedLog] = field(default_factory=list)
    others: int = 0

    def refuse(self, path: Path, what: str, do: str, reason: str = "cannot be used") -> None:
        try:
            about = os.lstat(path)
            size, stamp = (about.st_size if stat.S_ISREG(about.st_mode) else 0), str(about.st_mtime_ns)
        except OSError:
            size, stamp = 0, ""
        self.refused.append(QuarantinedLog(LogFile(text_of(path), text_of(path.name), size, stamp), reason, what, do))


@dataclass(frozen=True, slots=True)
class Found:
    """What a scan is to do, and what it need not do again. logs: to take in. refused, waiting, others: as in Look.

    unchanged: dealt with by an earlier scan, by what became of them. removed: paths of things in quarantine that are
    not there any more, or not in the way.
    """

    logs: tuple[Path, ...]
    refused: tuple[QuarantinedLog, ...] = ()
    waiting: tuple[Waiting, ...] = ()
    unchanged: tuple[tuple[Entry, int], ...] = ()
    removed: tuple[str, ...] = ()
    others: int = 0


def text_of(path: Path | str) -> str:
    """A path as text that can be kept and shown, also where its bytes are none: b"caf\\xe9" becomes caf\\xe9."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def find_logs(inbox: Path | str, settle_s: float = 2.0) -> list[Path]:
    """Files under the inbox that look finished, in order of path; a single file is its own inbox.

    Raises: InputError when there is no inbox.
    """
    return look(inbox, settle_s).logs


def look(inbox: Path | str, settle_s: float = 2.0) -> Look:
    """Everything under the inbox. Raises: InputError when there is no inbox."""
    inbox = Path(inbox).absolute()
    seen = Look()
    if inbox.is_file():
        if _is_text(str(inbox)):
            seen.logs.append(inbox)
        else:
            seen.refuse(inbox, "the file's path is no text", NO_TEXT)
        return seen
    if not inbox.is_dir():
        raise InputError("there is no such file or folder", text_of(inbox), "Check the path")
    root, folders = inbox.resolve(), [inbox]
    if not _is_text(str(inbox)):
        raise InputError("the inbox's path is no text", text_of(inbox), "Name a path that is UTF-8")
    while folders:
        for entry in _entries(folders.pop(), seen):
            try:
                _sort(entry, root, settle_s, seen, folders)
            except FileNotFoundError:
                continue  # gone since the folder was listed
            except OSError as error:
                _cannot_open(Path(entry.path), error, seen)
    seen.logs.sort()
    return seen


def _entries(folder: Path, seen: Look) -> Iterator[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as found:
            yield from sorted(found, key=lambda entry: entry.name)
    except FileNotFoundError:
        return
    except OSError as error:
        _cannot_open(folder, error, seen)


def _cannot_open(path: Path, error: OSError, seen: Look) -> None:
    what = f"{'the folder' if os.path.isdir(path) else 'it'} cannot be read ({error.strerror or error})"
    seen.refuse(path, what, "Give the user who runs Herdbook the right to read it", CANNOT_OPEN)


def _sort(entry: os.DirEntry[str], root: Path, settle_s: float, seen: Look, folders: list[Path]) -> None:
    """One thing of the inbox into its place."""
    path, name = Path(entry.path), entry.name.lower()
    folder = entry.is_dir(follow_symlinks=False)
    if name.startswith(".") or (not folder and name.endswith(NOT_LOGS)):
        seen.others += 1
    elif not _is_text(entry.name):
        seen.refuse(path, f"the {'folder' if folder else 'file'}'s name is no text", NO_TEXT)
    elif folder:
        folders.append(path)
    elif entry.is_symlink() and (trouble := _link(path, root)):
        seen.refuse(path, trouble, LINK)
    elif entry.is_dir():  # a link to a folder of this inbox, which is looked at where it is
        seen.others += 1
    else:
        _file(path, name, settle_s, seen)


def _is_text(name: str) -> bool:
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def _link(path: Path, root: Path) -> str:
    """What is wrong with a link, "" for nothing."""
    try:
        target = path.resolve(strict=True)
    except (OSError, RuntimeError):
        return "the link leads nowhere, or in a circle"
    return "" if target.is_relative_to(root) else "the link leads out of the inbox"


def _file(path: Path, name: str, settle_s: float, seen: Look) -> None:
    status = path.stat()
    age = time.time() - status.st_mtime
    if not stat.S_ISREG(status.st_mode):
        seen.refuse(path, "it is no file, but a pipe, a socket or a device", "Remove it")
    elif name.endswith(UNFINISHED):
        why = "by its name it is still being copied"
        seen.waiting.append(Waiting(str(path), why, do="rename it once the copy is complete"))
    elif abs(age) < settle_s:
        until = status.st_mtime_ns // 1000 + round(settle_s * S)
        seen.waiting.append(Waiting(str(path), "it changed just now and may be growing", until))
    else:
        seen.logs.append(path)


def stamp_of(path: Path) -> tuple[int, str]:
    """Size, and a text that changes whenever the log or its sidecar is written again."""
    status = path.stat()
    try:
        side = sidecar_path(path).stat()
        return status.st_size, f"{status.st_mtime_ns}+{side.st_mtime_ns}.{side.st_size}"
    except FileNotFoundError:
        return status.st_size, str(status.st_mtime_ns)
    except OSError as error:
        if error.errno != errno.ENAMETOOLONG:  # so long a name leaves no room for that of a sidecar
            raise
        return status.st_size, str(status.st_mtime_ns)


def new_logs(store: Store, inbox: Path | str, now: int | None = None) -> Found:
    """What of the inbox (a folder, one log, or an fsspec URL) is new or changed since the store last dealt with it, or
    to be tried again by now (microseconds UTC); and all the rest. Raises: InputError when there is no such inbox."""
    from herdbook.pipeline.intake.remote_inbox import fetch, is_url
    from herdbook.pipeline.store.connection import visit
    from herdbook.pipeline.store.statements import ask

    far = fetch(store, str(inbox)) if is_url(inbox) else None
    inbox = inbox if far is None else far.folder
    with visit(store.catalogue, read_only=True) as con:
        rows = con.execute("SELECT path, size_bytes, stamp, outcome FROM seen").fetchall()
        again = {row["path"] for row in ask(con, __name__, "due_again", now=now_us() if now is None else now)}
        held = [path for (path,) in con.execute("SELECT path FROM quarantine").fetchall()]
    known = {path: (size, stamp, Entry(outcome)) for path, size, stamp, outcome in rows if path not in again}
    seen = look(inbox, store.settings.settle_s)
    logs, counts = [], dict.fromkeys(Entry, 0)
    counts[Entry.TAKEN] = far.known if far else 0
    for path in seen.logs:
        size, stamp, outcome = known.get(str(path), (-1, "", Entry.TAKEN))
        if (size, stamp) == _state(path):
            counts[outcome] += 1
        else:
            logs.append(path)
    refused = []
    for one in seen.refused:
        if known.get(one.file.path, ())[:2] == (one.file.size_bytes, one.file.stamp):
            counts[Entry.QUARANTINED] += 1
        else:
            refused.append(one)
    return Found(
        logs=tuple(logs),
        refused=tuple(refused),
        waiting=(*seen.waiting, *(far.waiting if far else ())),
        unchanged=tuple(counts.items()),
        removed=tuple(_removed(Path(inbox).absolute(), held, {one.file.path for one in seen.refused})),
        others=seen.others,
    )


def _state(path: Path) -> tuple[int, str] | None:
    """None when it cannot be known: then taking it in will say why."""
    try:
        return stamp_of(path)
    except OSError:
        return None


def _removed(inbox: Path, held: Sequence[str], refused: set[str]) -> Iterator[str]:
    """Things of this inbox in quarantine (held) that somebody removed or mended."""
    for path in held:
        inside = Path(path) == inbox or Path(path).is_relative_to(inbox)
        if inside and path not in refused and (not os.path.lexists(path) or os.path.isdir(path)):
            yield path
