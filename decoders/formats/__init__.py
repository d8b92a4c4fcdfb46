"""Log formats, one file each. The folder is the registry: a new format is a new file that holds a READER."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pkgutil import iter_modules

from herdbook.decoders.logs.log import Reader


@cache
def all_readers() -> dict[str, Reader]:
    """Every reader by its file's name; files whose name begins with an underscore are no formats."""
    names = sorted(m.name for m in iter_modules(__path__) if not m.name.startswith("_"))
    return {name: import_module(f"{__name__}.{name}").READER for name in names}
