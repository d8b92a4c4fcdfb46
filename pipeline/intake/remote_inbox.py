"""An inbox behind an fsspec URL (s3://bucket/folder, sftp://..., file://...): new logs are fetched into the store.

Fetched copies live in the store's `fetched` folder until their logs have been taken; a log in quarantine keeps its
copy, so that an operator can look at it. What was fetched once is not fetched again unless it changed.
"""

from __future__ import annotations

import hashlib
import os
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import polars as pl

from herdbook.pipeline.addresses import is_url, shown
from herdbook.pipeline.errors import InputError, SettingsError
from herdbook.pipeline.extras import missing_extra
from herdbook.pipeline.intake.outcome import Entry
from herdbook.pipeline.intake.waiting import NOT_LOGS, Waiting
from herdbook.pipeline.lake.listing import RemoteFile, files_below
from herdbook.pipeline.store.connection import connect, transaction
from herdbook.pipeline.store.ledger_files import forget_seen, put
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import S, now_us

__all__ = ["fetch", "is_url", "shown"]


@dataclass(frozen=True, slots=True)
class Fetched:
    """folder: where to take logs from. waiting: what is not fetched now. known: objects that were taken in before."""

    folder: Path
    waiting: tuple[Waiting, ...]
    known: int


def fetch(store: Store, url: str) -> Fetched:
    """Fetch what is new under the URL. One object that cannot be fetched waits; the others come.

    Raises: InputError when the URL cannot be listed, or nothing of what is new can be read; SettingsError when no file
    system answers for it.
    """
    folder = store.folder / "fetched" / hashlib.sha256(url.encode()).hexdigest()[:12]
    folder.mkdir(parents=True, exist_ok=True, mode=0o750)
    done = _seen(store)
    _clear(folder, done)
    files, root = _file_system(url)
    try:
        listed = files_below(files, root)
    except Exception as error:  # every file system has errors of its own
        what = f"the inbox cannot be listed ({type(error).__name__}: {error})"
        raise InputError(what, shown(url), "Check address, rights and network") from None
    settle_us = int(store.settings.settle_s * S)
    there = [f for f in listed if not _hidden(f)]
    waiting = [_growing(f, settle_us) for f in there if not _settled(f, settle_us)]
    wanted = [f for f in there if _settled(f, settle_us)]
    old = {f.name for f in wanted if done.get(_address(url, f.name, root)) == f.stamp}
    fresh = [f for f in wanted if f.name not in old]
    _forget_gone(folder, done, {folder / _local(f.name, root) for f in listed})
    rows, failed = [], []
    for file in sorted(fresh, key=lambda f: not f.name.endswith(".toml")):  # a sidecar before its log
        try:
            _fetch_one(files, file.name, folder / _local(file.name, root), url)
        except InputError as error:
            failed.append(error)
            waiting.append(Waiting(file.name, error.what, do=error.do))
        else:
            rows.append({"path": _address(url, file.name, root), "size_bytes": file.size, "stamp": file.stamp})
    if failed and not rows:
        raise failed[0]
    if rows:
        with transaction(store.catalogue) as con:
            forget_seen(con, "path", [str(r["path"]) for r in rows])
            fetched = pl.DataFrame(rows).with_columns(log=pl.lit(""), outcome=pl.lit(Entry.FETCHED.value))
            put(con, {"seen": fetched})
    known = sum(not (folder / _local(name, root)).exists() for name in old if not name.endswith(NOT_LOGS))
    return Fetched(folder, tuple(waiting), known)


def _file_system(url: str) -> tuple[Any, str]:
    import fsspec

    try:
        files, root = fsspec.core.url_to_fs(url)
    except (ImportError, ValueError) as error:
        if isinstance(error, ImportError) and (extra := missing_extra(error, "the inbox", shown(url))):
            raise extra from None
        what = f"the inbox's kind of address is not known: {error}"
        raise SettingsError(what, shown(url), "Install what it names") from None
    except Exception as error:  # some connect at once, each with errors of its own
        what = f"the inbox cannot be reached ({type(error).__name__}: {error})"
        raise InputError(what, shown(url), "Check address, rights and network") from None
    return files, str(root)


def _seen(store: Store) -> dict[str, str]:
    """By path: the stamp of a file that was fetched, else what became of a log."""
    con = connect(store.catalogue, read_only=True)
    try:
        rows = con.execute("SELECT path, stamp, outcome FROM seen").fetchall()
    finally:
        con.close()
    return {path: stamp if outcome == Entry.FETCHED else outcome for path, stamp, outcome in rows}


def _clear(folder: Path, done: dict[str, str]) -> None:
    """Copies whose logs are in the lake now are not needed any more."""
    for path in folder.rglob("*"):
        if path.is_file() and done.get(str(path)) in (Entry.TAKEN, Entry.KNOWN):
            path.with_name(path.name + ".toml").unlink(missing_ok=True)
            path.unlink()


def _forget_gone(folder: Path, done: dict[str, str], there: set[Path]) -> None:
    """Copies in quarantine whose object somebody removed."""
    for path in folder.rglob("*"):
        if path.is_file() and done.get(str(path)) == Entry.QUARANTINED and path not in there:
            path.unlink()


def _hidden(file: RemoteFile) -> bool:
    return any(p.startswith(".") for p in PurePosixPath(file.name).parts[1:] if p not in ("..", "."))


def _settled(file: RemoteFile, settle_us: int) -> bool:
    """Not changed just now: then it is still being written."""
    return file.changed is None or abs(now_us() - file.changed) >= settle_us


def _growing(file: RemoteFile, settle_us: int) -> Waiting:
    return Waiting(file.name, "it changed just now and may be growing", (file.changed or 0) + settle_us)


def _address(url: str, name: str, root: str) -> str:
    return f"{url.rstrip('/')}/{_local(name, root).as_posix()}"


def _local(name: str, root: str) -> Path:
    """Where a copy goes, below the folder: never outside of it, whatever the object is called."""
    parts = PurePosixPath(name.removeprefix(root)).parts or (PurePosixPath(name).name,)
    return Path(*(p for p in parts if p.strip("/") and p not in ("..", ".")))


def _fetch_one(files: Any, name: str, target: Path, url: str) -> None:
    """Whole or not at all."""
    temporary = target.with_name(f".{target.name}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
        files.get_file(name, str(temporary))
    except Exception as error:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
        what = f"{name} cannot be fetched ({type(error).__name__}: {error})"
        raise InputError(what, shown(url), "Check rights and network, then scan again") from None
    temporary.replace(target)
    old = time.time() - 3600
    os.utime(target, (old, old))  # it is whole: no need to let it settle
