"""What differs between operating systems: locks, what lasts through a power cut, and who may read a file.

Linux is what Herdbook is tested on. What is here for Windows follows Microsoft's documentation of its C library and is
not run by tests: herdbook help platforms says so to users.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import IO

WINDOWS = os.name == "nt"
LOCKED_BYTE = 1 << 30  # far behind the words in the file: on Windows nobody can read a byte that is locked


def lock_alone(file: IO[str]) -> bool:
    """Hold an open file for ourselves until it is closed or we end, however; False when another process holds it."""
    if WINDOWS:
        import msvcrt  # type: ignore[unreachable, unused-ignore]

        file.seek(LOCKED_BYTE)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined, unused-ignore]
        except OSError:
            return False
        finally:
            file.seek(0)
        return True
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def sync_file(path: Path) -> None:
    """Make what was written last through a power cut. Windows wants a handle that may write."""
    with path.open("r+b" if WINDOWS else "rb") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Make a rename in the folder last through a power cut; Windows has no such call."""
    if WINDOWS:
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def set_rights(path: Path, mode: int) -> None:
    """Rights of owner, group and others. On Windows the folder's are inherited, and a mode would only make the file one
    that cannot be replaced."""
    if not WINDOWS:
        path.chmod(mode)


def open_to_all(path: Path) -> bool:
    """May everybody on this machine read or write the file? Windows does not say so in a file's mode."""
    return not WINDOWS and bool(stat.S_IMODE(path.stat().st_mode) & 0o007)
