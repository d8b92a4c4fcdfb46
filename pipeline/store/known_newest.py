"""Whether a catalogue is of the newest version, without opening it each time.

People who read the published copy must not stand in the night's way, nor wait for it: opening the private catalogue
takes a lock that its writer wants. So what was found is kept in a small file beside it, with the catalogue's inode and
size and how often it had been written: another file, one that grew, and an older copy of it put back over itself are
looked into again.
"""

from __future__ import annotations

import os
import struct
from contextlib import suppress
from pathlib import Path

from herdbook.pipeline.errors import damage
from herdbook.pipeline.store.migrations import migrate, steps

KNOWN = ".catalogue.known"


def bring_to_newest(catalogue: Path) -> None:
    """migrate(), where it is not known that there is nothing to do. Raises: StoreError, BusyError."""
    note = catalogue.with_name(KNOWN)
    with suppress(OSError, ValueError):
        kept, now = note.read_text("ascii"), _state(catalogue)
        if kept.partition("\n")[0] == now and int(kept.partition("\n")[2]) <= written(catalogue):
            return
    try:
        migrate(catalogue)
    except Exception as error:
        if told := damage(error):
            raise told from None
        raise
    draft = note.with_name(f"{KNOWN}.{os.getpid()}.tmp")
    with suppress(OSError):  # who may only read looks again the next time
        draft.write_text(f"{_state(catalogue)}\n{written(catalogue)}\n", "ascii")
        draft.chmod(0o640)
        draft.replace(note)
    with suppress(OSError):
        draft.unlink(missing_ok=True)


def written(catalogue: Path) -> int:
    """How often DuckDB has written the file's head: it never falls while a file is only written to. -1 where it cannot
    be read. Two heads lie at 4096 and 8192, each a checksum and a count (DuckDB's storage format, in its sources)."""
    with suppress(OSError, struct.error), catalogue.open("rb") as file:
        head = file.read(3 * 4096)
        return max(int(struct.unpack_from("<Q", head, at + 8)[0]) for at in (4096, 8192))
    return -1


def _state(catalogue: Path) -> str:
    about = catalogue.stat()
    return f"{about.st_ino} {about.st_size} {' '.join(str(number) for number, _, _ in steps())}"
