"""What is to be quick or to use many cores besides large nights: one log into a store, a night with nothing new, and a
long log on one core and on several. Run by night.py --workers; by the clock, each in a fresh process. By itself:

    python tests/bench/small_nights.py --long-gb 4          the long log alone
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from math import inf
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import tests.bench.checkout  # noqa: E402, F401
from herdbook.pipeline.store.store import Store  # noqa: E402
from tests.bench.night_logs import Template, write_logs  # noqa: E402
from tests.store.large_log import make  # noqa: E402

PROFILES = ROOT / "dbc_demo"
VEHICLES = 12  # in the store before: from then on a profile is held against no further log
AGAIN = 4
NEWS = (0, 10, 20)  # exit codes of a scan that went well
HERDBOOK = "from herdbook.flows.cli import main; main()"
LONG = """
import json, os, sys, threading, time
from pathlib import Path
import psutil
from herdbook.pipeline.night.in_workers import InWorkers
from herdbook.pipeline.store.store import Store
log, store, workers = Path(sys.argv[1]), Store.open(Path(sys.argv[2])), int(sys.argv[3])
os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:workers])
most, ended, me = 0, threading.Event(), psutil.Process()
def watch():
    global most
    while not ended.wait(0.2):
        size = 0
        for process in [me, *me.children(recursive=True)]:
            try:
                size += process.memory_full_info().pss
            except psutil.Error:
                pass
        most = max(most, size)
with InWorkers(store, workers) as runner:
    runner.run(len, [[]] * workers)  # they have started
    watching = threading.Thread(target=watch)
    watching.start()
    begun = time.perf_counter()
    (taken,) = runner.take([log])
    seconds = time.perf_counter() - begun
    ended.set()
    watching.join()
    cpu = sum(sum(psutil.Process(w.process.pid).cpu_times()[:2]) for w in runner.workers.all)
print(json.dumps({"seconds": seconds, "cpu_s": cpu, "frames": taken.report.frames, "hash": taken.part_hash,
                  "peak_mb": most / 1e6}))
"""


def small_nights(base: Path, template: Template) -> list[dict[str, Any]]:
    """The least of several runs each, from command to prompt."""
    store = base / "small-store"
    write_logs(template, base / "small", VEHICLES, range(1))
    _command("scan", base / "small", store, "--profiles", PROFILES)
    rows = []
    for day in range(1, 1 + AGAIN):
        write_logs(template, base / f"small-{day}", 1, range(day, day + 1))
        rows.append(_command("scan", base / f"small-{day}", store))
    found = [_least(f"scan of one new log, a store of {VEHICLES} vehicles", rows, bar_s=1.0)]
    rows = [_command("scan", base / "small", store) for _ in range(AGAIN)]
    found.append(_least("scan with nothing new", rows))
    if importlib.util.find_spec("prefect") is not None:
        rows = [_command("night", base / "small", store) for _ in range(AGAIN)]
        found.append(_least("night with nothing new", rows, bar_s=5.0))
    return found


def _least(what: str, rows: list[dict[str, float]], **bar: float) -> dict[str, Any]:
    least = {name: round(min(row[name] for row in rows), 2) for name in rows[0]}
    return {"what": what, "runs": len(rows), **least, **bar}


def _command(verb: str, inbox: Path, store: Path, *more: object) -> dict[str, float]:
    """Seconds by the clock, and of processor in the command itself (its workers are not its children)."""
    asked = [sys.executable, "-c", HERDBOOK, verb, inbox, "--store", store, *more]
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    ran = subprocess.run([str(a) for a in asked], capture_output=True, text=True, check=False)
    wall, after = time.monotonic() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    if ran.returncode not in NEWS:
        raise RuntimeError(f"herdbook {verb} ended with code {ran.returncode}: {ran.stderr}")
    return {"wall s": wall, "processor s": after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime}


def long_log(base: Path, gigabytes: float, until: float) -> list[dict[str, Any]]:
    """A .log taken into a part by one worker on one core, and by several on as many: the same bytes. until: on the
    monotonic clock. Memory: of all processes, pages that they share counted once."""
    path = base / "long.log"
    frames = make(path, int(gigabytes * 1e9))
    path.with_name("long.log.toml").write_text('vehicle = "ZB-9999"\n')
    rows: list[dict[str, Any]] = []
    digests = set()
    for cores in (n for n in (1, 2, 4, 8, 16) if n <= (os.cpu_count() or 1)):
        if rows and time.monotonic() + 2 * rows[-1]["wall s"] > until:
            break
        with tempfile.TemporaryDirectory(dir=base) as folder:
            store = Store.create(Path(folder) / "store", PROFILES)
            asked = [sys.executable, "-c", LONG, str(path), str(store.folder), str(cores)]
            told = json.loads(subprocess.run(asked, cwd=ROOT, capture_output=True, check=True).stdout)
        digests.add(told["hash"])
        assert told["frames"] == frames, told
        one = rows[0]["wall s"] if rows else told["seconds"]
        rows.append(
            {
                "log, GB": round(path.stat().st_size / 1e9, 2),
                "cores": cores,
                "wall s": round(told["seconds"], 2),
                "processor s": round(told["cpu_s"], 2),
                "M frames/s": round(frames / told["seconds"] / 1e6, 2),
                "times one core": round(one / told["seconds"], 2),
                "memory MB": round(told["peak_mb"]),
            }
        )
    assert len(digests) == 1, digests
    path.unlink()
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--long-gb", type=float, default=1.0)
    parser.add_argument("--out", type=Path, default=ROOT / "build" / "bench")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="herdbook-long-") as folder:
        for row in long_log(Path(folder), given.long_gb, inf):
            print(row)


if __name__ == "__main__":
    main()
