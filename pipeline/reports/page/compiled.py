"""Compiled templates, kept in `__pycache__` beside this module, as Python keeps what it compiled. Where Python may
not write there, or was told not to (PYTHONDONTWRITEBYTECODE), each process compiles them anew.
"""

from __future__ import annotations

import hashlib
import os
import sys
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

from jinja2 import BytecodeCache
from jinja2.bccache import Bucket

FOLDER = Path(__file__).parent / "__pycache__"
LENGTH = 32  # of the digest that stands before what is kept


class CompiledTemplates(BytecodeCache):
    """For jinja2, which checks by the template's text and its own and Python's version of the format."""

    def load_bytecode(self, bucket: Bucket) -> None:
        """What was kept, if it still is what it was."""
        try:
            whole = self._path(bucket).read_bytes()
        except OSError:
            return
        digest, content = whole[:LENGTH], whole[LENGTH:]
        if digest == hashlib.sha256(content).digest():
            bucket.bytecode_from_string(content)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Whole or not at all; what cannot be kept is compiled again."""
        if sys.dont_write_bytecode:
            return
        content = bucket.bytecode_to_string()
        path = self._path(bucket)
        draft = path.with_name(f"{path.name}.{os.getpid()}")
        try:
            path.parent.mkdir(exist_ok=True)
            draft.write_bytes(hashlib.sha256(content).digest() + content)
            draft.replace(path)
        except OSError:
            with suppress(OSError):
                draft.unlink(missing_ok=True)

    def _path(self, bucket: Bucket) -> Path:
        made_of = f"{bucket.key} jinja2 {version('jinja2')} Python {sys.version}"
        return FOLDER / f"template-{hashlib.sha256(made_of.encode()).hexdigest()[:20]}.kept"
