"""From a log of one ride to its page: `herdbook look`, the whole process, beside python-can and cantools that decode
the same log frame by frame and judge nothing.

    python tests/bench/look.py [--out build/bench] [--minutes 10] [--runs 5] [--alone]

Two rides of the demo's simulator, every message at its own cadence: a sound board, and one whose brake lets go, so that
its page says not to use it. Each run starts afresh; the least of them counts, by the clock and of processor. The peer
imports its two packages, reads the BLF log and decodes each frame in the same kind of process. `--alone` runs all of it
before all other work (SCHED_RR), which a crowded machine needs. Writes look.json.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import tests.bench.checkout  # noqa: E402, F401
from demo_logs.plan import units  # noqa: E402
from demo_logs.write_fleet import logs_of  # noqa: E402
from demo_logs.writers import write_log  # noqa: E402

SOUND, STOP = "ZB-0104", "ZB-0105"
PROFILE, DBC = ROOT / "dbc_demo" / "zirbel.toml", ROOT / "dbc_demo" / "zirbel.dbc"
ENDS = {SOUND: (0,), STOP: (20,)}  # exit codes
BAR_S = 3.0
HERDBOOK = "from herdbook.flows.cli import main; main()"
PEER = """
import sys, warnings
warnings.simplefilter("ignore")
import can, cantools
bus = cantools.database.load_file(sys.argv[2])
with can.LogReader(sys.argv[1]) as log:
    for frame in log:
        bus.decode_message(frame.arbitration_id, frame.data, allow_truncated=True)
"""


def ride(vehicle: str, minutes: float, folder: Path) -> tuple[Path, int]:
    """The vehicle's last ride of the demo fleet, so many minutes long; its file and how many frames."""
    [unit] = [u for u in units(1) if u.vehicle.name == vehicle]
    *before, last = unit.logs
    longer = replace(last, outings=tuple(replace(o, minutes=minutes) for o in last.outings))
    *_, (_, frames) = logs_of(replace(unit, logs=(*before, longer)))
    path = folder / f"{vehicle}_ride.blf"
    write_log(path, frames, False)
    return path, len(frames)


def least(asked: list[str], codes: tuple[int, ...], runs: int) -> tuple[float, float]:
    """Seconds by the clock and of processor, of the quickest of so many processes."""
    env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}  # compiled once, as when installed
    clock, processor = [], []
    for _ in range(runs):
        before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
        ran = subprocess.run(asked, capture_output=True, text=True, check=False, env=env)
        clock.append(time.monotonic() - begun)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        processor.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        if ran.returncode not in codes:
            raise RuntimeError(f"{asked} ended with code {ran.returncode}: {ran.stderr}")
    return min(clock), min(processor)


def measured(vehicle: str, minutes: float, runs: int, folder: Path) -> dict[str, Any]:
    log, frames = ride(vehicle, minutes, folder)
    look = [sys.executable, "-c", HERDBOOK, "look", str(log), "--profile", str(PROFILE), "--out", str(folder)]
    least(look, ENDS[vehicle], 1)  # compiles
    ours, processor = least(look, ENDS[vehicle], runs)
    peer, peers_processor = least([sys.executable, "-c", PEER, str(log), str(DBC)], (0,), 1)
    return {
        "ride": f"{vehicle}, {minutes:g} min",
        "frames": frames,
        "look s": round(ours, 2),
        "processor s": round(processor, 2),
        "page kB": round((folder / f"dossier-{vehicle}.html").stat().st_size / 1000),
        "peer, decoding only s": round(peer, 2),
        "times the peer's speed": round(peer / ours, 2),
        "by processor": round(peers_processor / processor, 2),
        "bar s": BAR_S,
        "load": round(os.getloadavg()[0], 1),
    }


def main() -> None:
    args = argparse.ArgumentParser()
    args.add_argument("--out", type=Path, default=Path("build/bench"))
    args.add_argument("--minutes", type=float, default=10.0)
    args.add_argument("--runs", type=int, default=5)
    args.add_argument("--alone", action="store_true")
    given = args.parse_args()
    if given.alone:
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))  # children have it too
    given.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        rows = [measured(v, given.minutes, given.runs, Path(folder)) for v in (SOUND, STOP)]
    for row in rows:
        print(row)
    (given.out / "look.json").write_text(json.dumps(rows, indent=1) + "\n")


if __name__ == "__main__":
    main()
