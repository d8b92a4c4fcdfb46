"""Blocks made on demand: one log and role after the other, in threads of their own, in bounded memory.

Whoever draws wants some, gets those that there are, and asks again for the rest. Who moves on or stops takes back what
he wanted.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from herdbook.pipeline.desk.asked import LONG_S, Questions, StoppedError, step
from herdbook.pipeline.desk.blocks import Blocks, blocks_of, joined, usual_gap
from herdbook.pipeline.desk.levels import Item, Levels, OfItems, key_of
from herdbook.pipeline.desk.raw import raw_samples
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.lake.derived import HOLD_S
from herdbook.pipeline.lake.merge_samples import Samples
from herdbook.pipeline.lake.part import Part
from herdbook.pipeline.lake.place import Lake
from herdbook.pipeline.lake.read import LogRef, read_signals
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.roles import ROLES

ROWS = 1_000_000  # of a message, read at a time
WORKERS = 2
MOST_FAILED = 1000
AGAIN_S = 30.0  # a log that could not be read is tried again after so long


@dataclass(frozen=True)
class Job:
    """Blocks of one role (or raw signal, Message.Signal) of one log."""

    lake: Lake
    ref: LogRef
    profile: Profile
    name: str

    @property
    def key(self) -> str:
        return key_of(self.ref, self.name, self.profile.hash)


@dataclass
class Preparing:
    """Jobs by who wants them; failed: until when not to try again, and why, by key."""

    levels: Levels
    questions: Questions
    failed: dict[str, tuple[float, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._wanted: dict[str, list[Job]] = {}
        self._running: set[str] = set()
        self._change = threading.Condition()
        self._started = False

    def why_not(self, key: str) -> str:
        """Why a job failed just now; "" where it is worth trying."""
        until, why = self.failed.get(key, (0.0, ""))
        return why if time.monotonic() < until else ""

    def want(self, owner: str, jobs: Sequence[Job], wait_s: float) -> int:
        """Take these up in the place of what the same owner wanted before; how many are left after a while."""
        with self._change:
            self._wanted[owner] = list(jobs)
            if not self._started:
                self._started = True
                for _ in range(WORKERS):
                    threading.Thread(target=self._work, name="blocks", daemon=True).start()
            self._change.notify_all()
            self._change.wait_for(lambda: not self._wanted.get(owner), wait_s)
            return len(self._wanted.get(owner, ()))

    def stop(self, owner: str) -> None:
        with self._change:
            gone = {job.key for job in self._wanted.pop(owner, ())}
            still = {job.key for jobs in self._wanted.values() for job in jobs}
            stopped = (self._running & gone) - still
        for key in stopped:
            self.questions.stop(f"blocks {key}")

    def _next(self) -> Job | None:
        for jobs in self._wanted.values():
            for job in jobs:
                if job.key not in self._running:
                    return job
        return None

    def _work(self) -> None:
        while True:
            with self._change:
                self._change.wait_for(lambda: self._next() is not None)
                job = self._next()
                assert job is not None
                self._running.add(job.key)
            try:
                if self.levels.find(job.key) is None:
                    with self.questions.asking(f"blocks {job.key}", LONG_S):
                        self.levels.keep(job.key, made(job))
            except StoppedError:
                pass
            except Exception as error:
                if len(self.failed) > MOST_FAILED:
                    self.failed.clear()
                said = str(error) if isinstance(error, HerdbookError) else f"{type(error).__name__}: {error}"
                self.failed[job.key] = time.monotonic() + AGAIN_S, said
            finally:
                with self._change:
                    self._running.discard(job.key)
                    for owner, jobs in self._wanted.items():
                        self._wanted[owner] = [j for j in jobs if j.key != job.key]
                    self._change.notify_all()


def made(job: Job) -> OfItems:
    """Read a log's samples, so many at a time. Raises: StoppedError, HerdbookError."""
    part = job.lake.open(job.ref.part, job.ref.hash)
    pieces: dict[Item, list[Blocks]] = {}
    gaps: dict[Item, float] = {}
    ends: dict[Item, int] = {}
    slices = list(_slices(part, job))
    for done, (start, end) in enumerate(slices):
        step(done, len(slices), "pieces of a log read")
        for item, (t, v) in _samples(part, job, start, end).items():
            inside = slice(*np.searchsorted(t, (start, end)).tolist())
            t, v = t[inside], v[inside]
            if not t.shape[0]:
                continue
            gap = gaps.setdefault(item, usual_gap(t))
            before = ends.get(item)
            pieces.setdefault(item, []).append(blocks_of(t, v, gap_us=gap, before=before))
            ends[item] = int(t[-1])
            if v[-1] != v[-1]:
                del ends[item]
    return {item: joined(some) for item, some in pieces.items()}


def _samples(part: Part, job: Job, start: int, end: int) -> dict[Item, Samples]:
    if job.name not in ROLES:
        return {"": raw_samples(part, job.ref, job.name, start, end)}
    early = start - int(HOLD_S * 1e6)  # a formula holds a value so long
    found = read_signals(job.lake, [job.ref], [job.profile], "", start=early, end=end, roles=[job.name])
    return {item: (s.t, s.v) for (_, item), s in found.data.items()}


def messages_of(profile: Profile, name: str) -> set[str]:
    """Of a role as the profile has it, or of Message.Signal."""
    if name not in ROLES:
        return {name.partition(".")[0]}
    mine = [m for m in profile.roles if m.role == name]
    return {m.message for m in mine} | {message for m in mine for message, _ in m.reads}


def _slices(part: Part, job: Job) -> Iterator[tuple[int, int]]:
    """Stretches of time of a log, end excluded, with about ROWS rows of the busiest of its messages each."""
    wanted = messages_of(job.profile, job.name)
    starts, rows = [job.ref.start], 0
    for block in sorted(
        (b for b in part.blocks if b.log == job.ref.log and b.message in wanted), key=lambda b: b.start
    ):
        if rows >= ROWS and block.start > starts[-1]:
            starts.append(block.start)
            rows = 0
        rows += block.rows
    yield from zip(starts, [*starts[1:], job.ref.end + 1], strict=True)
