"""A night by the number of workers: full rides, and a large fleet with one thin ride each.

    python tests/bench/night.py --workers 1,2,4,8,16 [--rides 320] [--thin 1000] [--within 530]

Every night runs in a process of its own over a fresh store, so that what the coordinating process spends is told apart
from its workers' part: `coordinator` is its processor time (all its threads), in milliseconds a vehicle and in all. The
store and the inbox lie in a temporary folder: some 8 MB a full ride, 0.2 MB a thin one.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from math import inf
from pathlib import Path
from typing import Any

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import tests.bench.checkout  # noqa: E402, F401
from tests.bench.night_logs import Simulated, Template, write_logs  # noqa: E402
from tests.bench.small_nights import long_log, small_nights  # noqa: E402

PROFILES = ROOT / "dbc_demo"
PEER_FRAMES = 20_000
ONE = "--one-night"
SMALLER = 40  # rides of the small night, whose bar is 1.5 million frames a second; with fewer the long log is short too
SLOWER = 1.3  # than its processor time by its workers: how long a night may take by the clock


@dataclass(frozen=True)
class Kind:
    """One of the two nights: how its logs are written into a folder (returns frames), and whose they are."""

    name: str
    write: Callable[[Path], int]
    vehicles: int


@dataclass
class Measured:
    """Rows so far, told after each. until: on the monotonic clock; later nights are left out and told."""

    tell: Callable[[dict[str, Any]], object]
    until: float = inf
    rows: list[dict[str, Any]] = field(default_factory=list)
    peers: list[dict[str, Any]] = field(default_factory=list)
    small: list[dict[str, Any]] = field(default_factory=list)
    long: list[dict[str, Any]] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def found(self) -> dict[str, Any]:
        told = {
            "nights by workers": self.rows,
            "others, one core": self.peers,
            "small nights": self.small,
            "one long log": self.long,
            "left out": self.left_out,
        }
        return {name: what for name, what in told.items() if what}


def by_workers(
    base: Path, workers: Sequence[int], rides: int, thin: int, measured: Measured
) -> dict[str, list[dict[str, Any]]]:
    """Small nights and a long log; both nights with so many workers each, the most and the fewest first; and what
    others do with a log of the first night."""
    cores = os.cpu_count() or 1
    full, small = Simulated(600.0), Template(base / "template", 60.0)
    days = 10 if rides >= 10 else 1
    riders = -(-rides // days)
    kinds = [
        Kind(f"{rides} rides of ten minutes", lambda at: write_logs(full, at, riders, range(days), cores), riders),
        Kind(f"{thin:,} vehicles, a minute each", lambda at: write_logs(small, at, thin, range(1), cores), thin),
    ]
    measured.small = small_nights(base, small)
    measured.long = long_log(base, 1.0 if rides >= SMALLER else 0.1, measured.until)
    measured.tell(measured.found())
    if rides > SMALLER:
        few = Kind(f"{SMALLER} rides of ten minutes", lambda at: write_logs(full, at, 4, range(10), cores), 4)
        _one_kind(base, base / "inbox-few", few, [2], measured)
        shutil.rmtree(base / "inbox-few")
    for i, kind in enumerate(kinds):
        inbox = base / f"inbox-{i}"
        _one_kind(base, inbox, kind, workers, measured)
        if not i and measured.rows:
            mine = [row for row in measured.rows if row["night"] == kind.name]
            measured.peers = _peers(next(inbox.rglob("*.log")), mine) if mine else []
        shutil.rmtree(inbox)
    measured.tell(measured.found())
    return measured.found()


def _one_kind(base: Path, inbox: Path, kind: Kind, workers: Sequence[int], measured: Measured) -> None:
    frames = kind.write(inbox)
    before = measured.rows
    mine: dict[int, dict[str, Any]] = {}
    processor_s = 0.0
    for jobs in sorted(workers, key=lambda n: (n not in (min(workers), max(workers)), -n)):
        if time.monotonic() + SLOWER * processor_s / min(jobs, os.cpu_count() or 1) > measured.until:
            measured.left_out.append(f"{kind.name}, {jobs} worker(s): no time left")
            continue
        with tempfile.TemporaryDirectory(dir=base) as folder:
            told = _one_night(inbox, Path(folder) / "store", jobs)
        assert told["vehicles"] == kind.vehicles, told
        processor_s = told["cpu_s"]
        mine[jobs] = {"night": kind.name, "workers": jobs, **_figures(told, frames, kind.vehicles)}
        fewest = mine[min(mine)]["wall s"]
        for row in mine.values():
            row["times the fewest"] = round(fewest / row["wall s"], 2)
        measured.rows = [*before, *(mine[n] for n in sorted(mine))]
        print(mine[jobs], file=sys.stderr, flush=True)
        measured.tell(measured.found())


def _figures(told: dict[str, Any], frames: int, vehicles: int) -> dict[str, Any]:
    return {
        "frames": frames,
        **{f"{step} s": round(seconds, 2) for step, seconds in told["steps"].items()},
        "wall s": round(told["wall_s"], 2),
        "M frames/s": round(frames / told["wall_s"] / 1e6, 3),
        "processor s": round(told["cpu_s"], 1),
        "coordinator s": round(told["own_cpu_s"], 2),
        "coordinator ms a vehicle": round(1e3 * told["own_cpu_s"] / vehicles, 2),
        "largest worker MB": round(told["worker_mb"]),
        "coordinator MB": round(told["own_mb"]),
        "catalogue MB": round(told["catalogue_mb"], 1),
        "fleet.duckdb MB": round(told["fleet_mb"], 1),
    }


def _one_night(inbox: Path, store: Path, jobs: int) -> dict[str, Any]:
    """A scan in a fresh process, which says what it cost."""
    ran = subprocess.run(
        [sys.executable, str(Path(__file__)), ONE, str(inbox), str(store), str(jobs)],
        capture_output=True,
        text=True,
        check=False,
    )
    if ran.returncode:
        raise RuntimeError(ran.stderr)
    told: dict[str, Any] = json.loads(ran.stdout.splitlines()[-1])
    return told


def _night(inbox: Path, folder: Path, jobs: int) -> dict[str, Any]:
    from herdbook.pipeline.night.forks import few_threads

    few_threads()  # as the command does
    from herdbook.pipeline.night.scan import run_scan
    from herdbook.pipeline.store.store import Store

    store = Store.open(folder) if folder.exists() else Store.create(folder, PROFILES)
    stop = threading.Event()
    seen: dict[str, Any] = {"worker": 0.0, "own": 0.0, "cpu": {}, "watching": 0.0}
    watcher = threading.Thread(target=_watch, args=(stop, seen))
    watcher.start()
    wall, own = time.monotonic(), time.process_time()
    done = run_scan(inbox, store, jobs)
    wall, own = time.monotonic() - wall, time.process_time() - own
    stop.set()
    watcher.join()
    own -= seen["watching"]
    return {
        "vehicles": done.vehicles,
        "steps": done.seconds,
        "wall_s": wall,
        "own_cpu_s": own,
        "cpu_s": own + sum(seen["cpu"].values()),
        "worker_mb": seen["worker"],
        "own_mb": seen["own"],
        "catalogue_mb": store.catalogue.stat().st_size / 1e6,
        "fleet_mb": store.fleet.stat().st_size / 1e6,
    }


def _watch(stop: threading.Event, seen: dict[str, Any]) -> None:
    """Most memory of one worker (proportional where pages are shared) and of ourselves; processor time of others."""
    me = psutil.Process()
    while not stop.wait(0.25):
        seen["watching"] = time.thread_time()
        seen["own"] = max(seen["own"], me.memory_info().rss / 1e6)
        for process in me.children(recursive=True):
            with suppress(psutil.Error):
                spent = process.cpu_times()
                seen["cpu"][process.pid] = spent.user + spent.system
                full = process.memory_full_info()
                seen["worker"] = max(seen["worker"], getattr(full, "pss", full.rss) / 1e6)


def _peers(log: Path, ours: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What other ways do with the same log on one core, scaled from its first frames: they decode, and check nothing or
    three things, where a night identifies, decodes, measures, judges by every rule and publishes."""
    by_frame, by_hand, sql = frame_by_frame(log), *_by_hand(log)
    night = ours[0]["M frames/s"] * 1e6
    rows = [
        ("python-can and cantools, frame by frame, nothing kept", by_frame),
        ("the same into Parquet by message, three checks in SQL", by_hand),
        ("the three checks alone, over decoded Parquet", sql),
        (f"a whole night here, {ours[0]['workers']} worker(s)", night),
    ]
    return [
        {"way": way, "frames/s": round(rate), "a night here is": f"{night / rate:.3g} times as fast"}
        for way, rate in rows
    ]


def frame_by_frame(log: Path) -> float:
    """Frames a second of python-can and cantools, frame by frame, on one core: reading and decoding alone."""
    import can
    import cantools

    bus: Any = cantools.database.load_file(PROFILES / "zirbel.dbc")
    known = {m.frame_id for m in bus.messages}
    begun, n = time.process_time(), 0
    with can.LogReader(log) as reader:
        for n, message in enumerate(reader, 1):
            if message.arbitration_id in known:
                bus.decode_message(message.arbitration_id, bytes(message.data), decode_choices=False)
            if n == PEER_FRAMES:
                break
    return n / (time.process_time() - begun)


def _by_hand(log: Path) -> tuple[float, float]:
    """Frames a second of decoding into a file a message and three checks in SQL; and of the checks alone."""
    import can
    import cantools
    import duckdb
    import polars as pl

    from herdbook.pipeline.vehicle.profile import load_profile

    bus: Any = cantools.database.load_file(PROFILES / "zirbel.dbc")
    names = {m.frame_id: m.name for m in bus.messages}
    rows: dict[str, list[dict[str, Any]]] = {}
    with tempfile.TemporaryDirectory() as folder:
        begun, n = time.process_time(), 0
        with can.LogReader(log) as reader:
            for n, message in enumerate(reader, 1):
                if name := names.get(message.arbitration_id):
                    values = bus.decode_message(message.arbitration_id, bytes(message.data), decode_choices=False)
                    rows.setdefault(name, []).append({"t": message.timestamp, **values})
                if n == PEER_FRAMES:
                    break
        for name, some in rows.items():
            pl.DataFrame(some, infer_schema_length=None).write_parquet(Path(folder) / f"{name}.parquet")
        asked = time.process_time()
        con = duckdb.connect()
        for role, limit in (
            ("cell_voltage", "min({}) < 2.5"),
            ("cell_temp", "max({}) > 60"),
            ("motor_temp", "max({}) > 140"),
        ):
            for m in load_profile(PROFILES / "zirbel.toml").roles:
                file = Path(folder) / f"{m.message}.parquet"
                if m.role == role and m.plain and file.exists():
                    con.execute(f"SELECT {limit.format(chr(34) + m.signal + chr(34))} FROM '{file}'").fetchall()
        end = time.process_time()
    return n / (end - begun), n / (end - asked)


if __name__ == "__main__" and sys.argv[1:2] == [ONE]:  # else night.py is the one to be run
    print(json.dumps(_night(Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]))))
