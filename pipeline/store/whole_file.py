"""A file for people written whole or not at all: a reader never meets half of it, and the old one stays until then."""

from __future__ import annotations

import glob
import os
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from herdbook.pipeline.errors import StoreError

LEFT_S = 3600.0  # engineering choice: nothing is written for so long, so a draft so old is of a killed process


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Where to write; renamed to path when this ends well, removed when not. The ending of the name is path's.

    Raises: StoreError when there is no room, or the folder cannot be written.
    """
    draft = path.with_name(f".{path.stem[:100]}.{os.getpid()}.part{path.suffix}")
    _clear(path)
    try:
        yield draft
        draft.replace(path)
    except Exception as error:
        if (why := _why(error)) is None:
            raise
        do = "Make room, or check the path and its rights; what was there before stays"
        raise StoreError(f"cannot be written ({why})", path, do) from None
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)


def _why(error: Exception) -> str | None:
    """In the system's own words, which some libraries put theirs around or raise as errors of their own; None where it
    was not the system that refused."""
    if number := re.search(r"\(os error (\d+)\)", str(error)):
        return os.strerror(int(number[1]))
    if not isinstance(error, OSError):
        return None
    *_, last = ["", *re.findall(r"Detail: \[errno \d+\] ([^\[]+)", str(error))]
    return last.strip(" .") or error.strerror or str(error)


def _clear(path: Path) -> None:
    """Remove drafts of this file that killed processes left."""
    pattern = f".{glob.escape(path.stem[:100])}.*.part{glob.escape(path.suffix)}"
    for left in path.parent.glob(pattern):
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > LEFT_S:
                left.unlink()
