"""Log formats, one file or folder each. The folder is the registry: what lies here holds a READER and is a format.

Formats stand on herdbook.decoders.reading and know nothing of each other. How each is tried is said by the file of the
same name in tests/decoders/formats.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pkgutil import iter_modules

from herdbook.decoders.reading.reader import Reader


@cache
def all_readers() -> dict[str, Reader]:
    """Every reader by its file's name; files whose name begins with an underscore are no formats."""
    names = sorted(m.name for m in iter_modules(__path__) if not m.name.startswith("_"))
    return {name: import_module(f"{__name__}.{name}").READER for name in names}
