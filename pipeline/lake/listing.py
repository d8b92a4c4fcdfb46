"""What a file system behind an address says of its files: each library calls the same things by other names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

STAMPS = ("ETag", "etag", "LastModified", "mtime", "created", "size")


@dataclass(frozen=True, slots=True)
class RemoteFile:
    """name: as the file system knows it. changed: microseconds UTC, None where it does not tell. stamp: changes
    whenever the file does."""

    name: str
    size: int
    changed: int | None
    stamp: str


def files_below(files: Any, root: str) -> list[RemoteFile]:
    """Every file below a root of an fsspec file system, by name. Raises: what the file system raises."""
    listed: dict[str, dict[str, Any]] = files.find(root, detail=True)
    return [_file(name, about) for name, about in sorted(listed.items()) if about.get("type") == "file"]


def _file(name: str, about: Mapping[str, Any]) -> RemoteFile:
    when = about.get("LastModified") or about.get("mtime") or about.get("created")
    seconds = when.timestamp() if isinstance(when, datetime) else when
    changed = round(seconds * 1e6) if isinstance(seconds, int | float) else None
    return RemoteFile(name, int(about.get("size") or 0), changed, " ".join(str(about[k]) for k in STAMPS if k in about))
