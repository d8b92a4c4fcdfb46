"""Inflating: by isal where it is installed (herdbook[mf4] brings it), at two to three times the speed, else by zlib.

Both know the same calls; only the class of their error differs.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from typing import Any

_fast: Any = zlib
with suppress(ImportError):
    _fast = import_module("isal.isal_zlib")

crc32: Callable[..., int] = _fast.crc32  # (data, sum so far)
ERRORS: tuple[type[Exception], ...] = (zlib.error, _fast.error)


def machine(wbits: int = 15) -> Any:
    """A decompressobj: decompress(data, max_length), unconsumed_tail, unused_data, eof."""
    return _fast.decompressobj(wbits=wbits)
