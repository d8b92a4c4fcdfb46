"""An inbox behind a URL (s3://, sftp://, ... whatever fsspec has a file system for): fetch what is new, keep little.

    local = fetch(store, "s3://fleet/inbox")     new or changed objects, below STORE/fetched/, under their own names
    ... scan the local folder ...
    drop(store, local)                           copies whose contents the lake has now

Access keys and endpoints are fsspec's business (its environment variables and configuration), never ours.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from pipeline.catalogue import connect
from pipeline.errors import InputError
from pipeline.inbox import UNFINISHED
from pipeline.store import Store

AT_ONCE = 32  # objects asked for together; the file system fetches them side by side
KNOWN = "fetched.json"


def is_remote(inbox: str | Path) -> bool:
    return "://" in str(inbox)


def fetch(store: Store, url: str) -> Path:
    """Bring new or changed objects to a local folder and return it. Raises: InputError when the URL cannot be read."""
    folder = store.folder / "fetched" / hashlib.sha256(url.encode()).hexdigest()[:12]
    folder.mkdir(parents=True, exist_ok=True, mode=0o750)
    known = _read(folder)
    try:
        import fsspec

        fs, root = fsspec.core.url_to_fs(url)
        if not fs.exists(root):
            raise InputError("there is no such inbox", _shown(url), "Check the address in [night] inbox")
        wanted = [o for o in _objects(fs, root, store.settings.settle_s) if known.get(o[0]) != o[2]]
        for first in range(0, len(wanted), AT_ONCE):
            some = wanted[first : first + AT_ONCE]
            _get(fs, [o[1] for o in some], [folder / o[0] for o in some], [o[3] for o in some])
            known |= {name: stamp for name, _, stamp, _ in some}
            _write(folder, known)
    except (OSError, ValueError, ImportError) as error:
        what = f"the inbox cannot be read ({type(error).__name__}: {error})"
        raise InputError(
            what, _shown(url), "Check address, network and access rights; install the file system"
        ) from None
    return folder


def _objects(fs: Any, root: str, settle_s: float) -> Iterator[tuple[str, str, str, float]]:
    """(name below the root, full path, stamp that changes with the contents, time of last change)."""
    for path, info in sorted(fs.find(root, detail=True).items()):
        name = PurePosixPath(path[len(root) :].lstrip("/"))
        parts = path[len(root) :].strip("/").split("/")
        if any(p in ("", ".", "..") or p.startswith(".") for p in parts) or path.lower().endswith(UNFINISHED):
            continue  # hidden, unfinished, or a key that would lead out of the folder
        changed = _changed(info)
        if abs(time.time() - changed) >= settle_s:
            yield str(name), path, f"{info.get('size')} {info.get('ETag') or changed}", changed


def _changed(info: Mapping[str, Any]) -> float:
    found = info.get("LastModified") or info.get("mtime") or info.get("modified") or info.get("created") or 0
    return found.timestamp() if isinstance(found, datetime) else float(found)


def _get(fs: Any, remote: list[str], local: list[Path], changed: list[float]) -> None:
    """Whole files or none: under a name that the inbox leaves alone, then renamed."""
    half = [p.with_name(p.name + ".part") for p in local]
    for path in local:
        path.parent.mkdir(parents=True, exist_ok=True)
    fs.get(remote, [str(p) for p in half])
    for part, path, moment in zip(half, local, changed, strict=True):
        os.utime(part, (moment, moment))
        part.replace(path)


def drop(store: Store, folder: Path) -> int:
    """Delete local copies whose contents are in the lake; those in quarantine stay for another try. How many went."""
    con = connect(store.catalogue, read_only=True)
    try:
        rows = con.execute(
            "SELECT path FROM seen WHERE outcome IN ('taken', 'known') AND starts_with(path, ?)", [f"{folder}{os.sep}"]
        ).fetchall()
    finally:
        con.close()
    gone = 0
    for (path,) in rows:
        if Path(path).is_file():
            Path(path).unlink()
            gone += 1
    return gone


def _read(folder: Path) -> dict[str, str]:
    try:
        known: dict[str, str] = json.loads((folder / KNOWN).read_text("utf-8"))
        return known
    except (FileNotFoundError, ValueError):
        return {}


def _write(folder: Path, known: dict[str, str]) -> None:
    half = folder / f".{KNOWN}"
    half.write_text(json.dumps(known), "utf-8")
    half.replace(folder / KNOWN)


def _shown(url: str) -> str:
    """An address without user and password."""
    scheme, _, rest = url.partition("://")
    return f"{scheme}://{rest.rpartition('@')[2]}"
