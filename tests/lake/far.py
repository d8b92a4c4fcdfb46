"""What the tests of a lake on object storage share: two benches with the same logs, and what they then hold."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import tests.toy.logs as toy
from herdbook.pipeline.times import DAY
from tests.toy.bench import LEDGER, RESULTS, Bench, answers
from tests.toy.s3 import S3

ROOT = Path(__file__).resolve().parents[2]
WIRES = "SELECT * EXCLUDE (log) FROM toy.pack ORDER BY ALL"
TOLD = {"finding_log": "SELECT * EXCLUDE (scan) FROM finding_log ORDER BY ALL"}


def bucket(folder: Path) -> str:
    return "b" + hashlib.sha256(str(folder).encode()).hexdigest()[:20]


def fill(*benches: Bench, days: Iterable[int] = (0, 1, 40)) -> None:
    for bench in benches:
        for serial in (1, 2):
            for day in days:
                ride = toy.stretch(toy.T0 + day * DAY, 20, kmh=9, amps=-9, mode=2, serial=serial)
                toy.write(bench.inbox / f"{serial}-{day}.log", ride)


def objects(s3: S3, bench: Bench) -> dict[str, str]:
    """SHA-256 of every part in the bucket."""
    root = bench.store.settings.lake.removeprefix("s3://")
    found = s3.files.find(root)
    return {
        n.removeprefix(f"{root}/"): hashlib.sha256(s3.files.cat_file(n)).hexdigest()
        for n in found
        if n.endswith(".parquet")
    }


def files(bench: Bench) -> dict[str, str]:
    lake = bench.store.lake.root
    return {p.relative_to(lake).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in lake.rglob("*.parquet")}


def everything(bench: Bench) -> dict[str, str]:
    return answers(bench.store, RESULTS | LEDGER | TOLD)


def herdbook(*args: str, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "herdbook.flows.cli", *args],
        capture_output=True,
        text=True,
        timeout=120,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | more,
        check=False,
    )
