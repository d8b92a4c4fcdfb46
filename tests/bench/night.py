"""What a night costs: from the inbox to the published catalogue, with the fleet's size, with age, and under Prefect.

    python tests/bench/night.py --out build/bench [--quick]
    python tests/bench/night.py --workers 1,2,4,8,16 [--rides 320] [--thin 1000] [--within 530]
                                                            by workers (night_workers.py), from a plain checkout too

Wall time suffers from other work on the machine; processor seconds (ours and of all workers) hardly do, so both are
given. `at best` is frames a processor second times two cores: what two idle cores could do.
Writes night.json and night.md.
"""

from __future__ import annotations

import argparse
import compileall
import json
import os
import platform
import resource
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any

import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import tests.bench.checkout  # noqa: E402, F401
from herdbook.flows.request import Request  # noqa: E402
from herdbook.flows.supervise import run_once  # noqa: E402
from herdbook.pipeline.night.scan import run_scan  # noqa: E402
from herdbook.pipeline.night.steps import ScanResult  # noqa: E402
from herdbook.pipeline.settings import NightSettings  # noqa: E402
from herdbook.pipeline.store.publish import publish  # noqa: E402
from herdbook.pipeline.store.store import Store  # noqa: E402
from tests.bench.night_logs import Simulated, Template, write_logs  # noqa: E402
from tests.bench.night_workers import Measured, by_workers, frame_by_frame  # noqa: E402

PROFILES = ROOT / "dbc_demo"
BARS = {
    "frames_s": 1_500_000,
    "peak_mb": 2048,
    "overhead_share": 0.10,
    "coordinator_ms_a_vehicle": 1.5,
    "worker_mb": 250,
    "times_of_16_workers": 11,
}
JOBS = 2


@dataclass
class Cost:
    """One piece of work: wall and processor seconds, and the most memory that we and our workers held."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def measured(work: Callable[..., Any], *args: Any) -> tuple[Any, Cost]:
    stop, peak = threading.Event(), [0.0]

    def watch() -> None:
        me = psutil.Process()
        while not stop.wait(0.1):
            sizes = []
            for process in [me, *me.children(recursive=True)]:
                try:
                    sizes.append(process.memory_info().rss)
                except psutil.Error:
                    continue
            peak[0] = max(peak[0], sum(sizes) / 1e6)

    watcher = threading.Thread(target=watch)
    watcher.start()
    wall, cpu = time.monotonic(), _cpu()
    try:
        result = work(*args)
    finally:
        stop.set()
        watcher.join()
    return result, Cost(time.monotonic() - wall, _cpu() - cpu, peak[0])


def _cpu() -> float:
    """Ours, of processes that ended, and of those that live on: workers are forked from one that outlives them."""
    ended = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    total = sum(u.ru_utime + u.ru_stime for u in ended)
    for process in psutil.Process().children(recursive=True):
        with suppress(psutil.Error):
            total += sum(process.cpu_times()[:4])  # user, system, and both of its children that ended
    return total


def rate(base: Path, name: str, template: Template | Simulated, vehicles: int, days: int) -> dict[str, Any]:
    """Frames a second from inbox to published catalogue, beside the reference libraries in the same run."""
    base = base / name
    frames = write_logs(template, base / "inbox", vehicles, range(days))
    size = sum(p.stat().st_size for p in (base / "inbox").rglob("*.log"))
    store = Store.create(base / "store", PROFILES)
    done, cost = measured(run_scan, base / "inbox", store, JOBS)
    assert done.logs_new == vehicles * days, done
    lake = sum(p.stat().st_size for p in store.lake.root.rglob("*.parquet"))
    one = next((base / "inbox").rglob("*.log"))
    return {
        "ride": name,
        "logs": vehicles * days,
        "frames": frames,
        "megabytes": size / 1e6,
        **steps(done),
        **vars(cost),
        "frames_s": frames / cost.wall_s,
        "peer_frames_s": frame_by_frame(one),
        "frames_s_at_best": JOBS * frames / cost.cpu_s,
        "lake_bytes_a_frame": lake / frames,
        "catalogue_mb": store.catalogue.stat().st_size / 1e6,
    }


def steps(done: ScanResult) -> dict[str, float]:
    return {f"{name}_s": seconds for name, seconds in done.seconds.items()}


def fleets(base: Path, template: Template, sizes: list[int]) -> list[dict[str, Any]]:
    """One small log of each vehicle: what a vehicle more costs."""
    rows = []
    for vehicles in sizes:
        here = base / f"fleet-{vehicles}"
        write_logs(template, here / "inbox", vehicles, range(1))
        store = Store.create(here / "store", PROFILES)
        done, cost = measured(run_scan, here / "inbox", store, JOBS)
        assert done.vehicles == vehicles, done
        rows.append(
            {
                "vehicles": vehicles,
                **steps(done),
                **vars(cost),
                "cpu_ms_a_vehicle": 1e3 * cost.cpu_s / vehicles,
                "catalogue_kb_a_vehicle": store.catalogue.stat().st_size / 1e3 / vehicles,
            }
        )
        shutil.rmtree(here)
    return rows


def ages(base: Path, template: Template, vehicles: int, nights: int) -> list[dict[str, Any]]:
    """The same work every night over a growing history: it must not get slower. Each night has an inbox of its own, so
    that only the store grows; all in one process, so that starting workers does not hide the growth."""
    store = Store.create(base / "store", PROFILES)
    rows = []
    for night in range(nights):
        inbox = base / f"in-{night}"
        write_logs(template, inbox, vehicles, range(night, night + 1))
        done, cost = measured(run_scan, inbox, store, 0)
        assert done.logs_new == vehicles, done
        rows.append(
            {"night": night + 1, **steps(done), **vars(cost), "catalogue_mb": store.catalogue.stat().st_size / 1e6}
        )
        shutil.rmtree(inbox)
    _, cost = measured(publish, store)
    rows.append({"night": "publish alone", **vars(cost), "catalogue_mb": store.catalogue.stat().st_size / 1e6})
    return rows


def overhead(base: Path, template: Template, logs: int) -> list[dict[str, Any]]:
    """The same logs without Prefect, with bundles, and with a task for every log."""
    write_logs(template, base / "inbox", 4, range(logs // 4))
    rows = []
    for name, bundle_mb in (("without Prefect", None), ("bundles of 16 MB", 16.0), ("a task a log", 0.0)):
        folder = base / name.replace(" ", "-")
        store = Store.create(folder, PROFILES)
        with (folder / "herdbook.toml").open("a") as file:
            file.write(f"[night]\nworkers = {JOBS}\nbundle_mb = {bundle_mb or 0}\n")
        if bundle_mb is None:
            done, cost = measured(run_scan, base / "inbox", store, JOBS)
            took = steps(done)
        else:
            asked = Request("night", str(base / "inbox"), str(folder), NightSettings(workers=JOBS, bundle_mb=bundle_mb))
            ended, cost = measured(run_once, asked)
            assert not ended.note, ended.note
            took = {k: v for k, v in ended.result["numbers"].items() if k.endswith("_s")}
        rows.append({"how": name, "logs": logs, **took, **vars(cost)})
    plain = rows[0]
    for row in rows[1:]:
        row["ms_a_log"] = 1e3 * (row["take_s"] - plain["take_s"]) / logs
        row["share"] = (row["take_s"] - plain["take_s"]) / plain["take_s"]
    return rows


def table(rows: list[dict[str, Any]]) -> str:
    names = list(dict.fromkeys(k for row in rows for k in row))
    lines = ["| " + " | ".join(names) + " |", "|" + "---|" * len(names)]
    for row in rows:
        cells = [row.get(n, "") for n in names]
        lines.append("| " + " | ".join(f"{c:.4g}" if isinstance(c, float) else str(c) for c in cells) + " |")
    return "\n".join(lines)


def as_installed() -> None:
    """Workers find our modules compiled, as they do from the second start of an installed program on."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    for name in ("decoders", "pipeline", "flows"):
        compileall.compile_dir(ROOT / name, quiet=1)


def main() -> None:
    as_installed()
    args = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    args.add_argument("--out", type=Path, default=ROOT / "build" / "bench")
    args.add_argument("--quick", action="store_true", help="a tenth of the work, for a look")
    args.add_argument("--only", nargs="+", choices=["rate", "fleets", "ages", "overhead"], help="just these parts")
    args.add_argument("--workers", help="both nights of night_workers.py with so many workers each: 1,2,4")
    args.add_argument("--rides", type=int, default=320, help="full rides of the first of them")
    args.add_argument("--thin", type=int, default=1000, help="vehicles of the second")
    args.add_argument("--within", type=float, help="seconds for all of it: nights that would end later are left out")
    given, begun = args.parse_args(), time.monotonic()
    quick = given.quick
    found: dict[str, Any] = {
        "machine": {"cores": os.cpu_count(), "python": platform.python_version(), "load": os.getloadavg()[0]},
        "bars": BARS,
    }
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        if given.workers:
            counts = [int(n) for n in given.workers.split(",")]
            until = begun + given.within if given.within else inf
            measured_by = Measured(lambda rows: written(found | rows, given.out, "night_workers"), until)
            found |= by_workers(base, counts, given.rides, given.thin, measured_by)
            tell(found, given.out, "night_workers")
            return
        small, seconds = Template(base / "t", 60.0), 60.0 if quick else 600.0
        rides: dict[str, tuple[Callable[[], Template | Simulated], int]] = {  # with the number of vehicles
            "every message at its cadence": (lambda: Simulated(seconds), 4),
            "the same, a larger night": (lambda: Simulated(seconds), 16),
            "a third of the frames": (lambda: Template(base / "t", seconds), 4),
        }
        parts: dict[str, Callable[[Path], list[dict[str, Any]]]] = {
            "rate": lambda at: [rate(at, name, make(), n, 2 if quick else 10) for name, (make, n) in rides.items()],
            "fleets": lambda at: fleets(at, small, [1, 10] if quick else [1, 10, 100, 1000]),
            "ages": lambda at: ages(at, small, 5, 4 if quick else 40),
            "overhead": lambda at: overhead(at, small, 16 if quick else 200),
        }
        for name in given.only or parts:
            found[name] = parts[name](base / name)
            shutil.rmtree(base / name)
    tell(found, given.out, "night")


def tell(found: dict[str, Any], out: Path, name: str) -> None:
    """What was measured, as JSON and as tables."""
    print(written(found, out, name))


def written(found: dict[str, Any], out: Path, name: str) -> str:
    """The tables. Both files are written."""
    out.mkdir(parents=True, exist_ok=True)
    (out / f"{name}.json").write_text(json.dumps(found, indent=1), "utf-8")
    tables = [
        f"## {k}\n\n{table(v) if isinstance(v[0], dict) else chr(10).join(v)}\n"
        for k, v in found.items()
        if isinstance(v, list) and v
    ]
    text = f"# The night\n\n{found['machine']}\n\nBars: {found['bars']}\n\n" + "\n".join(tables)
    (out / f"{name}.md").write_text(text, "utf-8")
    return text


if __name__ == "__main__":
    main()
