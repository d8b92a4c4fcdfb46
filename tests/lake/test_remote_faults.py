"""A lake on object storage that vanishes, and scans that are killed while they upload."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.night.scan import run_scan
from tests.lake.far import ROOT, everything, files, fill, herdbook, objects
from tests.toy.bench import NOW, Bench
from tests.toy.s3 import S3, empty_cache

pytestmark = [
    pytest.mark.server,
    pytest.mark.filterwarnings("ignore:datetime.datetime.utcnow:DeprecationWarning"),  # botocore's and moto's own
]


@pytest.mark.slow
def test_a_lake_that_cannot_be_reached(s3: S3, far: Bench, near: Bench) -> None:
    """Before a scan, in the middle of one, and for those who only read."""
    fill(far, near)
    near.scan()
    seen: list[str] = []

    def cut(done: int, _of: int, stage: str) -> None:
        if stage.startswith("taking") and done == 3 and not seen:
            seen.append(stage)
            s3.stop()

    try:
        with pytest.raises(StoreError, match=r"s3://.*cannot be reached.*what was committed stays"):
            run_scan(far.inbox, far.store, jobs=0, progress=cut, now=NOW)
        assert seen
        shown = herdbook("scan", str(far.inbox), "--store", str(far.store.folder))
        assert shown.returncode == 5
        assert "Traceback" not in shown.stdout + shown.stderr
        assert "the lake cannot be reached" in shown.stderr
    finally:
        s3.start()
    far.scan()
    assert everything(far) == everything(near)
    assert objects(s3, far) == files(near)
    empty_cache(far.store)
    s3.stop()
    try:
        shown = herdbook("query", "SELECT count(*) FROM toy.pack", "--store", str(far.store.folder))
        assert (shown.returncode, "Traceback" in shown.stderr) == (5, False)
        assert "the lake cannot be reached" in shown.stderr
        shown = herdbook("query", "SELECT count(*) FROM logs", "--json", "--store", str(far.store.folder))
        assert (shown.returncode, shown.stdout.split()) == (0, ["[", "{", '"count_star()":', "6", "}", "]"])
        said = herdbook("store", "show", "--store", str(far.store.folder))
        assert said.returncode == 0
        assert "cannot be reached" in " ".join(said.stdout.split())
    finally:
        s3.start()


DYING = """
import os, signal, sys, threading, time
from pathlib import Path
from herdbook.pipeline.lake.remote import RemoteLake
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
folder, left, wait = Path({folder!r}), [{upload}], {wait}
whole = RemoteLake._upload
def end():
    os.kill(os.getpid(), signal.SIGKILL)
def upload(self, path, key):
    left[0] -= 1
    if left[0] == 0 and wait >= 0:
        threading.Thread(target=lambda: (time.sleep(wait), end()), daemon=True).start()
    whole(self, path, key)
    if left[0] == 0 and wait < 0:
        end()
RemoteLake._upload = upload
store = Store.open(folder / "store")
run_scan(folder / "inbox", store, jobs=0, now={now})
"""


def killed(far: Bench, upload: int, wait: float) -> int:
    """A scan that is killed so many seconds into an upload; below 0: right after it."""
    code = DYING.format(folder=str(far.folder), upload=upload, wait=wait, now=NOW)
    more = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=more, check=False, timeout=120).returncode


INSTANTS = [(1, 0.0), (3, -1.0), (2, 0.002)]
MORE_INSTANTS = [(1, 0.001), (2, 0.004), (1, 0.006), (4, -1.0), (1, 0.01), (2, 0.02), (1, -1.0), (5, 0.003)]


def survive(s3: S3, far: Bench, near: Bench, instants: list[tuple[int, float]]) -> None:
    fill(far, near, days=range(2 * len(instants)))  # so that the last one too has something to upload
    near.scan()
    codes = [killed(far, *instant) for instant in instants]
    assert codes.count(-9) >= len(codes) / 2  # a late one may get through
    far.scan()
    assert everything(far) == everything(near)
    assert objects(s3, far) == files(near)
    assert [p for p in far.store.scratch.rglob("*") if p.is_file()] == []


@pytest.mark.slow
def test_killed_while_uploading(s3: S3, far: Bench, near: Bench) -> None:
    survive(s3, far, near, INSTANTS)


@pytest.mark.slow
def test_killed_while_uploading_at_more_instants(s3: S3, far: Bench, near: Bench) -> None:
    survive(s3, far, near, MORE_INSTANTS)
