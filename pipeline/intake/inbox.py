"""The inbox: which files are logs to take in, and which are better left alone for now."""

from __future__ import annotations

import os
import stat
import time
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.sidecar import sidecar_path

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

UNFINISHED = (".part", ".partial", ".tmp", ".crdownload", ".filepart", "~", ".swp")  # common practice of copiers
NOT_LOGS = (".toml", ".md", ".json")


def find_logs(inbox: Path | str, settle_s: float = 2.0) -> list[Path]:
    """Files under the inbox that look finished, in order of path; a single file is its own inbox.

    Left alone: hidden files and folders, sidecars, unfinished copies by their suffix, what changed within settle_s,
    links that lead out of the inbox, and whatever is no regular file. Raises: InputError when there is no inbox.
    """
    inbox = Path(inbox).absolute()
    if inbox.is_file():
        return [inbox]
    if not inbox.is_dir():
        raise InputError("there is no such file or folder", inbox, "Check the path of the inbox")
    root = inbox.resolve()
    found = []
    for folder, folders, names in os.walk(inbox, followlinks=False):
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        found += [path for name in names if (path := _log(Path(folder) / name, root, settle_s)) is not None]
    return sorted(found)


def _log(path: Path, root: Path, settle_s: float) -> Path | None:
    name = path.name.lower()
    if name.startswith(".") or name.endswith(UNFINISHED) or name.endswith(NOT_LOGS):
        return None
    try:
        if path.is_symlink() and not path.resolve().is_relative_to(root):
            return None
        status = path.stat()
    except OSError:
        return None  # gone since the folder was listed, or a link to nowhere
    if not stat.S_ISREG(status.st_mode) or abs(time.time() - status.st_mtime) < settle_s:
        return None
    return path


def stamp_of(path: Path) -> tuple[int, str]:
    """Size, and a text that changes whenever the log or its sidecar is written again."""
    status = path.stat()
    try:
        side = sidecar_path(path).stat()
        return status.st_size, f"{status.st_mtime_ns}+{side.st_mtime_ns}.{side.st_size}"
    except FileNotFoundError:
        return status.st_size, str(status.st_mtime_ns)


def new_logs(store: Store, inbox: Path | str) -> list[Path]:
    """Logs of the inbox (a folder, one log, or an fsspec URL) that are new or changed since the store last dealt
    with them. Raises: InputError when there is no such inbox."""
    from herdbook.pipeline.intake.remote_inbox import fetch, is_url
    from herdbook.pipeline.store.connection import visit

    inbox = fetch(store, str(inbox)) if is_url(inbox) else inbox
    with visit(store.catalogue, read_only=True) as con:
        rows = con.execute("SELECT path, size_bytes, stamp FROM seen").fetchall()
    seen = {path: (size, stamp) for path, size, stamp in rows}
    return [p for p in find_logs(inbox, store.settings.settle_s) if _state(p) != seen.get(str(p))]


def _state(path: Path) -> tuple[int, str] | None:
    try:
        return stamp_of(path)
    except OSError:
        return None
