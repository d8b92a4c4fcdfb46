"""Whether a catalogue is of the newest version, without opening it each time.

People who read the published copy must not stand in the night's way, nor wait for it: opening the private catalogue
takes a lock that its writer wants. So what was found is kept in a small file beside it, with the catalogue's inode and
size: another file, or one that grew, is looked into again.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from herdbook.pipeline.errors import damage
from herdbook.pipeline.store.migrations import migrate, steps

KNOWN = ".catalogue.known"


def bring_to_newest(catalogue: Path) -> None:
    """migrate(), where it is not known that there is nothing to do. Raises: StoreError, BusyError."""
    note = catalogue.with_name(KNOWN)
    with suppress(OSError, UnicodeDecodeError):
        if note.read_text("ascii") == _state(catalogue):
            return
    try:
        migrate(catalogue)
    except Exception as error:
        if told := damage(error):
            raise told from None
        raise
    draft = note.with_name(f"{KNOWN}.{os.getpid()}.tmp")
    with suppress(OSError):  # who may only read looks again the next time
        draft.write_text(_state(catalogue), "ascii")
        draft.chmod(0o640)
        draft.replace(note)
    with suppress(OSError):
        draft.unlink(missing_ok=True)


def _state(catalogue: Path) -> str:
    about = catalogue.stat()
    return f"{about.st_ino} {about.st_size} {' '.join(str(number) for number, _, _ in steps())}\n"
