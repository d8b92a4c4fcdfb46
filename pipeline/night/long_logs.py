"""One log into the lake by worker processes: a long one by all of them (pipeline/intake/take_apart.py), else by one."""

from __future__ import annotations

import shutil
from functools import partial
from pathlib import Path

from herdbook.decoders.reading.stretches import Printed
from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.intake.outcome import Outcome
from herdbook.pipeline.intake.take_apart import (
    LongLog,
    NotApartError,
    ReadStretch,
    look_at,
    print_of,
    put_together,
    read_stretch,
)
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.night.failures import lost_log
from herdbook.pipeline.night.workers import WorkerLost, Workers
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import now_us

LONG_BYTES = 1 << 28  # a shorter log is read before several processes gain by it; engineering choice
STRETCH_BYTES = 1 << 25  # a third of a second of work, and 100 MB of memory; engineering choice
AHEAD = 1  # stretches that wait for each worker


def is_long(path: Path) -> bool:
    try:
        return path.stat().st_size >= LONG_BYTES
    except OSError:
        return False  # gone meanwhile: taking it will say so


def take_safely(workers: Workers, store: Store, path: Path, now: int | None = None) -> Outcome:
    """A log that breaks its worker goes to quarantine. Raises: StoreError, when the store itself cannot go on."""
    try:
        taken = _by_all(workers, store, path, now) if workers.processes > 1 and is_long(path) else None
        return workers.call(take_log, path, store, now=now) if taken is None else taken
    except Exception as error:
        return lost_log(path, error)


def _by_all(workers: Workers, store: Store, path: Path, now: int | None) -> Outcome | None:
    """None when it has to be read as a whole."""
    long = workers.call(look_at, store, path.absolute(), now_us() if now is None else now, STRETCH_BYTES)
    if long is None:
        return None
    try:
        return _put_together(workers, store, long)
    except (StoreError, WorkerLost, MemoryError):
        raise
    except Exception:  # whatever it is, take_log() meets it too, and says it as it is to be said
        return None
    finally:
        shutil.rmtree(long.folder, ignore_errors=True)


def _put_together(workers: Workers, store: Store, long: LongLog) -> Outcome:
    read: dict[int, ReadStretch] = {}
    whole: Printed | None = None
    work = partial(_one, store, long)
    for done in workers.each(work, [-1, *range(len(long.stretches))], AHEAD):
        if done.error is not None:
            raise done.error
        if isinstance(done.result, ReadStretch):
            read[done.item] = done.result
        elif isinstance(done.result, Printed):
            whole = done.result
    if whole is None:
        raise NotApartError
    return workers.call(put_together, store, long, whole, [read[i] for i in sorted(read)])


def _one(store: Store, long: LongLog, number: int) -> Printed | ReadStretch:
    return print_of(long) if number < 0 else read_stretch(store, long, long.stretches[number])
