"""What a killed verb left half done takes no room for long: the next one that writes clears it away."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.store.publish import publish
from tests.toy.bench import Bench

ROOT = Path(__file__).resolve().parents[2]
KILLED = """
import os, signal
from herdbook.pipeline.store import publish as module
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
store = Store.open({store!r})
module._add_views = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
if {verb!r} == "upkeep":
    upkeep(store)
else:
    with store.lock({verb!r}):
        module.publish(store)
"""


def left(bench: Bench) -> list[str]:
    return sorted(p.name for p in bench.store.folder.glob(".*.tmp*"))


@pytest.mark.parametrize("verb", ["publish", "upkeep"])
def test_a_killed_verb_leaves_nothing_for_long(bench: Bench, verb: str) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    code = KILLED.format(store=str(bench.store.folder), verb=verb)
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False)
    assert done.returncode == -signal.SIGKILL
    assert len(left(bench)) == 1
    (bench.store.scratch / "grown").mkdir(parents=True)
    with bench.store.lock("a mute"):
        assert left(bench) == []
        assert not (bench.store.scratch / "grown").exists()
        publish(bench.store)
    assert bench.ask("SELECT name FROM logs") == [("a.log",)]
    assert os.listdir(bench.store.folder)
