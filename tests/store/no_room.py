"""Run every verb that writes on a disk that is full, or has no inode left: it says so in words, and goes on with room.

    python -m tests.store.no_room            needs the right to mount a tmpfs

Each trial puts the same store on a small disk, leaves so much room, and runs the verb. Where it fails, the disk is made
larger and it is run again; then all tables and parts are as on a disk with room.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.night.workers import WorkerLost, Workers
from tests.store.verb_kills import VERBS, everything, made, run

ROOMY = "size=400m,nr_inodes=20000"
FREE_KB = (0, 600, 6000)  # beside what the store takes


@contextmanager
def disk(at: Path) -> Iterator[Path]:
    """A disk of our own. Raises: CalledProcessError without the right to mount one."""
    at.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", ROOMY, "tmpfs", str(at)], check=True, capture_output=True)
    try:
        yield at
    finally:
        subprocess.run(["umount", "-l", str(at)], check=True)


def resize(at: Path, options: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{options}", str(at)], check=True, capture_output=True)


def taken(here: Path) -> tuple[int, int]:
    """KB and inodes."""
    room = os.statvfs(here)  # what a process that just ended still holds is counted too
    return (room.f_blocks - room.f_bfree) * room.f_frsize // 1024, room.f_files - room.f_ffree


def limits(here: Path) -> dict[str, str]:
    """What is left in each trial, as options of the mount."""
    kb, inodes = taken(here)
    found = {f"{free} kB left": f"size={kb + free + 64}k,nr_inodes=20000" for free in FREE_KB}
    return found | {"no inode left": f"size=400m,nr_inodes={inodes}"}


def trial(verb: str, limit: str, at: Path, kept: Path, workers: Workers, expected: dict[str, object]) -> str:
    """How the verb ended; fails when it left something that more room does not mend."""
    here = at / "here"
    resize(at, ROOMY)
    shutil.rmtree(here, ignore_errors=True)
    shutil.copytree(kept, here)
    VERBS[verb][0](here)
    resize(at, limits(here)[limit])
    said = "done all the same"
    try:
        workers.call(run, verb, here)
    except HerdbookError as error:
        said = f"{type(error).__name__}: {error.what}"
    except WorkerLost as lost:
        said = f"PROCESS {lost}"
    except Exception as error:
        said = f"RAW {type(error).__name__}: {str(error)[:90]}"
    resize(at, ROOMY)
    workers.call(run, verb, here)
    found = everything(here)
    wrong = [name for name in expected if found[name] != expected[name]]
    return f"{said}; WRONG afterwards: {wrong}" if wrong else said


def campaign(verbs: list[str], wanted: str = "") -> Iterator[tuple[str, str, str]]:
    """Verb, what was left, how it ended."""
    with tempfile.TemporaryDirectory(prefix="herdbook-room-") as folder, Workers(1, time_s=300.0) as workers:
        kept = Path(folder) / "kept"
        with disk(Path(folder) / "disk") as at:
            made(at / "here")
            shutil.copytree(at / "here", kept)
            for verb in verbs:
                shutil.rmtree(at / "here")
                shutil.copytree(kept, at / "here")
                VERBS[verb][0](at / "here")
                left = [limit for limit in limits(at / "here") if wanted in limit]
                workers.call(run, verb, at / "here")
                expected = everything(at / "here")
                for limit in left:
                    yield verb, limit, trial(verb, limit, at, kept, workers, expected)
            with suppress(OSError):
                shutil.rmtree(at / "here")


def main() -> None:
    from tests.store import no_room  # by name: workers import what they run

    for verb, limit, said in no_room.campaign(sys.argv[1:] or list(VERBS)):
        print(f"{verb:24} {limit:14} {said}", flush=True)


if __name__ == "__main__":
    main()
