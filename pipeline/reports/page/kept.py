"""What every page needs made and no page changes: compiled templates and the packed drawing library, kept in
`__pycache__` beside this module, as Python keeps what it compiled. Where Python may not write there, or was told not to
(PYTHONDONTWRITEBYTECODE), each process makes them anew.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

from jinja2 import BytecodeCache
from jinja2.bccache import Bucket

FOLDER = Path(__file__).parent / "__pycache__"
LENGTH = 32  # of the digest that stands before what is kept


def kept(name: str, made_of: str, make: Callable[[], str]) -> str:
    """Text that is made once. made_of: what it depends on; another one makes it anew."""
    path = _path(name, made_of)
    content = _read(path)
    if content is None:
        text = make()
        _write(path, text.encode())
        return text
    return content.decode()


class CompiledTemplates(BytecodeCache):
    """For jinja2, which checks by the template's text and its own and Python's version of the format."""

    def load_bytecode(self, bucket: Bucket) -> None:
        if content := _read(self._path(bucket)):
            bucket.bytecode_from_string(content)

    def dump_bytecode(self, bucket: Bucket) -> None:
        _write(self._path(bucket), bucket.bytecode_to_string())

    def _path(self, bucket: Bucket) -> Path:
        return _path("template", f"{bucket.key} jinja2 {version('jinja2')} Python {sys.version}")


def _path(name: str, made_of: str) -> Path:
    return FOLDER / f"{name}-{_digest(made_of.encode()).hex()[:20]}.kept"


def _digest(content: bytes) -> bytes:
    return hashlib.sha256(content).digest()


def _read(path: Path) -> bytes | None:
    """What was kept, if it still is what it was."""
    try:
        digest, content = (whole := path.read_bytes())[:LENGTH], whole[LENGTH:]
    except OSError:
        return None
    return content if digest == _digest(content) else None


def _write(path: Path, content: bytes) -> None:
    """Whole or not at all; what cannot be kept is made again."""
    if sys.dont_write_bytecode:
        return
    draft = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(exist_ok=True)
        draft.write_bytes(_digest(content) + content)
        draft.replace(path)
    except OSError:
        with suppress(OSError):
            draft.unlink(missing_ok=True)
