"""What is to be quick or to use many cores besides large nights: one log into a store, a night with nothing new, and a
long log on one core and on several. Run by night.py --workers; by the clock, each in a fresh process."""

from __future__ import annotations

import importlib.util
import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import tests.bench.checkout  # noqa: E402, F401
from tests.bench.night_logs import Template, write_logs  # noqa: E402
from tests.decoders.large import CHILD, DBC, write_large  # noqa: E402

PROFILES = ROOT / "dbc_demo"
VEHICLES = 12  # in the store before: from then on a profile is held against no further log
AGAIN = 4
NEWS = (0, 10, 20)  # exit codes of a scan that went well
HERDBOOK = "from herdbook.flows.cli import main; main()"
ON_CORES = """
import os, sys
cores = int(sys.argv.pop())
os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:cores])
from herdbook.decoders.formats.candump import reader
reader.threads_for = lambda source: cores
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
    """A .log decoded to columns on one core and on several: threads read it, and may run on so many cores only. until:
    on the monotonic clock."""
    path = base / "long.log"
    frames = write_large(path, int(gigabytes * 1e9))
    rows: list[dict[str, Any]] = []
    for cores in (n for n in (1, 2, 4, 8) if n <= (os.cpu_count() or 1)):
        if rows and time.monotonic() + 2 * rows[-1]["wall s"] > until:
            break
        asked = [sys.executable, "-c", ON_CORES + CHILD, str(path), str(DBC), str(cores)]
        told = json.loads(subprocess.run(asked, cwd=ROOT, capture_output=True, check=True).stdout)
        assert told["rows"] == told["frames"] == frames, told
        one = rows[0]["wall s"] if rows else told["seconds"]
        rows.append(
            {
                "log, GB": round(path.stat().st_size / 1e9, 2),
                "cores": cores,
                "wall s": round(told["seconds"], 2),
                "M frames/s": round(frames / told["seconds"] / 1e6, 2),
                "times one core": round(one / told["seconds"], 2),
                "memory MB": round(told["peak_mb"]),
            }
        )
    path.unlink()
    return rows
