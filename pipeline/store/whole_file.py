"""A file for people written whole or not at all: a reader never meets half of it, and the old one stays until then."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from herdbook.pipeline.errors import StoreError


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """Where to write; renamed to path when this ends well, removed when not. The ending of the name is path's.

    Raises: StoreError when there is no room, or the folder cannot be written.
    """
    draft = path.with_name(f".{path.stem[:100]}.{os.getpid()}.part{path.suffix}")
    try:
        yield draft
        draft.replace(path)
    except OSError as error:
        do = "Make room, or check the path and its rights; what was there before stays"
        raise StoreError(f"cannot be written ({error.strerror or error})", path, do) from None
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)
