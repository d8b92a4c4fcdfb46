"""Kill nights under Prefect with SIGKILL at random instants and compare what is left with an undisturbed night.

    python -m tests.flows.kills --kills 200 --seed 7 --inbox FOLDER --calm STORE --work FOLDER

Run with Prefect's environment set (herdbook.flows.server.server.environment), a server answering there. Every night
is a real process, forked from one that has done the imports, so that kills fall into the work: each aims at a stage
and at a random instant of it. Every second kill takes the flow's process alone, so that its workers go on for a
moment, alone; the others take the whole group. A night that gets through must have left the same rows and the same
bytes as the calm one; then a new store begins. Prints how many kills fell into which stage.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import random
import shutil
import signal
import sys
import time
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing.process import BaseProcess
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from herdbook.flows.night_settings import read_night_settings
from herdbook.flows.request import Request
from herdbook.pipeline.settings import FILE
from herdbook.pipeline.store.store import Store
from tests.flows.rides import PROFILES
from tests.flows.same import assert_same

STAGES = ("starting", "taking logs in", "assessing vehicles", "publishing")
LONGEST_S = 1200.0


def night(request: Request, told: Path) -> None:
    """One whole night, in a group of its own; says where it is."""
    os.setpgid(0, 0)
    from herdbook.flows.night.flow import run

    with told.open("a", buffering=1) as file:
        run(request, lambda _done, _of, stage: print(time.monotonic(), stage, file=file))


@dataclass
class Shaken:
    """A store whose nights are killed until one gets through."""

    folder: Path
    inbox: Path

    def __post_init__(self) -> None:
        Store.create(self.folder, PROFILES)
        with (self.folder / FILE).open("a", encoding="utf-8") as file:
            file.write("[night]\nworkers = 2\nbundle_mb = 0.5\n")
        self.request = Request("night", str(self.inbox), str(self.folder), read_night_settings(self.folder))
        self.told = self.folder.with_suffix(".told")

    def start(self) -> BaseProcess:
        self.told.write_text("")
        process = multiprocessing.get_context("forkserver").Process(target=night, args=(self.request, self.told))
        process.start()
        return process

    def stages(self) -> list[tuple[float, str]]:
        """When each stage was first heard of, as far as the night has come."""
        seen: dict[str, float] = {}
        for line in self.told.read_text().splitlines():
            t, _, stage = line.partition(" ")
            seen.setdefault(stage, float(t))
        return [(t, stage) for stage, t in seen.items()]

    def where(self) -> str:
        return self.stages()[-1][1] if self.stages() else STAGES[0]


def calm(shaken: Shaken) -> dict[str, float]:
    """How long each stage of an undisturbed night takes."""
    begun = time.monotonic()
    process = shaken.start()
    process.join(LONGEST_S)
    assert process.exitcode == 0
    times = [(begun, STAGES[0]), *shaken.stages(), (time.monotonic(), "")]
    return {stage: b - a for (a, stage), (b, _) in pairwise(times)}


def through(shaken: Shaken, aim: str, after_s: float, whole: bool) -> str | None:
    """One night, killed some time after the stage began: where it was then; None when it got through first."""
    process = shaken.start()
    end = time.monotonic() + LONGEST_S
    while process.exitcode is None and shaken.where() != aim and aim != STAGES[0]:
        assert time.monotonic() < end, "the night hangs"
        time.sleep(0.002)
    process.join(after_s)
    if process.exitcode is not None:
        assert process.exitcode == 0, "the night failed"
        return None
    where = shaken.where()
    if whole and where != STAGES[0]:
        os.killpg(process.pid or 0, signal.SIGKILL)
    else:
        process.kill()
    process.join(LONGEST_S)
    return where


def main() -> int:
    args = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    args.add_argument("--kills", type=int, required=True)
    args.add_argument("--seed", type=int, required=True)
    args.add_argument("--inbox", type=Path, required=True)
    args.add_argument("--calm", type=Path, required=True)
    args.add_argument("--work", type=Path, required=True)
    given = args.parse_args()
    multiprocessing.get_context("forkserver").set_forkserver_preload(
        ["herdbook.pipeline.night.preload", "herdbook.flows.night.flow", __name__]
    )
    rng = random.Random(given.seed)
    lengths = calm(Shaken(given.work / "calm", given.inbox))
    assert_same(given.work / "calm", given.calm)
    fell: Counter[str] = Counter()
    stores = 0
    while fell.total() < given.kills:
        shaken = Shaken(given.work / f"store-{stores}", given.inbox)
        while fell.total() < given.kills:
            aim = rng.choice(STAGES)
            where = through(shaken, aim, rng.uniform(0, lengths[aim]), whole=bool(rng.randrange(2)))
            if where is None:
                break
            fell[where] += 1
        else:
            last = shaken.start()
            last.join(LONGEST_S)
            assert last.exitcode == 0, "the last night failed"
        assert_same(shaken.folder, given.calm)
        shutil.rmtree(shaken.folder)
        stores += 1
    print(json.dumps({"kills": fell.total(), "stores": stores, **fell}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
