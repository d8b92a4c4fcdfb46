"""The desk at its largest: one log of 100 million samples of a signal, and ten thousand vehicles.

    python tests/bench/desk.py [--out build/bench] [--samples 100000000]

A part is written as intake writes them (one signal at 1 kHz, a spike of one sample every few million), its blocks are
prepared once, and then Chromium opens the desk: first paint of the whole record, zooms down to a millisecond, each from
the key until the figure is drawn. Of ten thousand vehicles: the list opened, sorted and searched. Started and stopped
as a user does, with pages open and a question under way. Prints the bars with what was measured and the machine's load
beside each, and writes all of it to desk.json.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import signal
import statistics
import subprocess
import sys
import threading
import time
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import httpx
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from playwright.sync_api import Page  # noqa: E402

from herdbook.decoders.decoding.columns import Table  # noqa: E402
from herdbook.decoders.decoding.extract import Column  # noqa: E402
from herdbook.pipeline.desk.lines import draw  # noqa: E402
from herdbook.pipeline.desk.serve import Listening  # noqa: E402
from herdbook.pipeline.desk.window import as_json  # noqa: E402
from herdbook.pipeline.lake.layout import layout_of_profile  # noqa: E402
from herdbook.pipeline.lake.part import Chunk  # noqa: E402
from herdbook.pipeline.lake.part_writer import PartWriter  # noqa: E402
from herdbook.pipeline.store.connection import transaction  # noqa: E402
from herdbook.pipeline.store.publish import publish  # noqa: E402
from herdbook.pipeline.store.store import Store  # noqa: E402
from herdbook.pipeline.times import micros  # noqa: E402
from tests.desk.conftest import served  # noqa: E402
from tests.night.tables import T0, insert  # noqa: E402
from tests.reports.browser import chromium  # noqa: E402
from tests.reports.many import ten_thousand  # noqa: E402
from tests.toy.bench import DATA  # noqa: E402

STEP_US = 1000
ROWS = 1_000_000
SPIKE = 7_654_321  # samples from one spike to the next
REPEATS = 9
SPAN = """(p => (Date.parse(p.get("to")) - Date.parse(p.get("from"))) / 1000)(new URLSearchParams(location.search))"""


def large_store(folder: Path, samples: int) -> Store:
    """One vehicle with one log, whole in the lake and the catalogue."""
    store = Store.create(folder / "store", DATA)
    [profile] = store.profiles()
    [mapping] = [m for m in profile.roles if m.role == "pack_current"]
    layout = layout_of_profile(profile)
    log, start = "5" * 64, micros(T0)
    path = store.lake.root / f"{log}.parquet"
    rng = np.random.default_rng(1)
    noise = rng.integers(-40, 40, ROWS)
    with PartWriter(path, layout, store.scratch) as writer:
        for first in range(0, samples, ROWS):
            n = min(ROWS, samples - first)
            at = np.arange(first, first + n, dtype=np.int64)
            counts = (2000 * np.sin(at / 300_000)).astype(np.int64) + noise[:n]
            counts[at % SPIKE == 0] = 9000
            table = Table(start + at * STEP_US, {mapping.signal: Column(counts)})
            writer.add(Chunk(log, mapping.message, table), whole=samples)
        digest = writer.close({log: {}})
    end = T0 + timedelta(microseconds=STEP_US * (samples - 1))
    with transaction(store.catalogue) as con:
        insert(con, "vehicles", vehicle="LONG-1", profile=profile.name, zone="UTC", first_t=T0, last_t=end)
        about = {"log": log, "vehicle": "LONG-1", "profile": profile.name, "network_hash": profile.network_hash}
        insert(con, "logs", **about, start_t=T0, end_t=end, part=path.name, part_hash=digest, status="whole")
        insert(con, "parts", log=log, part=path.name, hash=digest)
        insert(con, "log_messages", log=log, message=mapping.message, frames=samples, start_t=T0, end_t=end)
        insert(con, "sessions", vehicle="LONG-1", start_t=T0, end_t=end, kind="ride", coverage=1.0, logs=[log])
    publish(store)
    return store


def until(page: Page, expression: str, seconds: float = 60.0) -> None:
    """Asked from outside: the page's own policy forbids it to evaluate a text."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        if time.monotonic() > end:
            raise SystemExit(f"waited {seconds} s for {expression}")
        time.sleep(0.005)


def drawn(page: Page, key: str) -> tuple[float, float]:
    """Milliseconds from a key until the answer is drawn, and until the desk's answer was there."""
    before = page.evaluate("deskTiming.came")
    began = page.evaluate("performance.now()")
    page.keyboard.press(key)
    until(page, f"deskTiming.came > {before} && deskTiming.painted > deskTiming.came")
    now = page.evaluate("[deskTiming.painted, deskTiming.came, deskTiming.asked]")
    return now[0] - began, now[1] - now[2]


def signals(out: dict[str, Any], folder: Path, samples: int) -> None:
    began = time.monotonic()
    store = large_store(folder, samples)
    out["written_s"] = round(time.monotonic() - began, 1)
    part = next(store.lake.root.glob("*.parquet"))
    out["part_mb"] = round(part.stat().st_size / 1e6, 1)
    with served(store) as listening, chromium() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(listening.address)
        whole = f"{listening.root}window?v=LONG-1&s=pack_current"
        began = time.monotonic()
        page.goto(whole)
        until(page, "document.getElementById('window').dataset.ready === '1'", 600)
        out["prepared_s"] = round(time.monotonic() - began, 1)
        out["answer_worked_ms"] = worked(listening, samples)
        paints = []
        for _ in range(REPEATS):
            page.goto("about:blank")
            page.goto(whole)
            until(page, "deskTiming.first > 0")
            paints.append(page.evaluate("deskTiming.first"))  # since the navigation began
        out["first_paint_ms"] = spread(paints)
        began = time.process_time()
        page.context.request.get(whole)
        out["page_worked_ms"] = round(1000 * (time.process_time() - began), 1)  # server and client of the test together
        out["lowest_drawn"] = page.evaluate(
            "document.querySelector('#values tbody tr').cells[3].textContent"
        )  # a spike
        page.focus("#figure")
        levels: list[dict[str, float]] = []
        for _ in range(27):
            seen, answered = drawn(page, "+")
            span = page.evaluate(SPAN)
            levels.append({"span_s": span, "ms": round(seen, 1), "answer_ms": round(answered, 1)})
        out["zoom"] = levels
        out["zoom_ms"] = spread([one["ms"] for one in levels])
        out["answer_ms"] = spread([one["answer_ms"] for one in levels])
        moves = [drawn(page, "ArrowRight")[0] for _ in range(REPEATS)]
        out["move_ms"] = spread(moves)


def fleet(out: dict[str, Any], folder: Path) -> None:
    store = ten_thousand(folder)
    with served(store) as listening, chromium() as browser:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(listening.address)
        for name, path in (
            ("open", "fleet"),
            ("sort", "fleet?sort=braking"),
            ("search", "fleet?find=B-7+4.3"),
            ("last", "fleet?page=100"),
        ):
            took = []
            for _ in range(REPEATS):
                page.goto(listening.root + path)
                took.append(page.evaluate("performance.getEntriesByType('navigation')[0].domComplete"))
            out[f"fleet_{name}_ms"] = spread(took)


def start_and_stop(out: dict[str, Any], folder: Path) -> None:
    """From the command until a page is there, and from Ctrl-C until the process is gone, with pages open and a long
    question being answered."""
    program = str(Path(sys.executable).parent / "herdbook")
    long = "SELECT sum(a.range * b.range % 7) FROM range(400000000) a, range(1000) b"
    said, answered, ended = [], [], []
    for _ in range(5):
        began = time.monotonic()
        command = [program, "desk", str(folder / "store"), "--port", "0", "--no-browser"]
        desk = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert desk.stdout is not None
        address = desk.stdout.readline().split()[-1]
        said.append(time.monotonic() - began)
        with httpx.Client(follow_redirects=True, timeout=60) as browser:
            assert browser.get(address).status_code == 200
            answered.append(time.monotonic() - began)
            root = address.partition("?")[0]
            asked = threading.Thread(target=_asked, args=(browser, f"{root}ask/rows", long))
            asked.start()
            while not browser.get(f"{root}progress?q=bench").json()["open"]:
                time.sleep(0.02)
            began = time.monotonic()
            desk.send_signal(signal.SIGINT)
            desk.wait(60)
            ended.append(time.monotonic() - began)
            asked.join(60)
    taken = {"start_said_s": said, "start_first_page_s": answered, "stop_s": ended}
    out |= {name: spread(seconds, 2) for name, seconds in taken.items()}


def _asked(browser: httpx.Client, address: str, sql: str) -> None:
    with suppress(httpx.HTTPError):  # the desk ends meanwhile
        browser.get(address, params={"sql": sql, "q": "bench"}, headers={"accept": "application/json"})


def worked(listening: Listening, samples: int) -> dict[str, float]:
    """Processor time of an answer, milliseconds, by the seconds it spans: what it takes on a machine with nothing else
    to do. The answers are those that the browser gets."""
    desk, out = listening.desk, {}
    start, whole = micros(T0), samples * STEP_US
    for zoom in range(28):
        span = max(1000, whole >> zoom)
        first = start + (whole - span) // 3
        took = []
        for _ in range(3):
            began = time.process_time()
            found = draw(desk.store, desk.preparing, "bench", "LONG-1", ["pack_current"], first, first + span, 1100)
            json.dumps(as_json(found, "LONG-1"))
            took.append(1000 * (time.process_time() - began))
        out[f"{span / 1e6:g}"] = round(min(took), 1)
    return out


def spread(values: list[float], digits: int = 1) -> dict[str, float]:
    return {"median": round(statistics.median(values), digits), "worst": round(max(values), digits), "n": len(values)}


BARS = (  # of the issue
    ("first_paint_ms", "first paint of the whole record", 300),
    ("zoom_ms", "a zoom, from the key to the figure", 100),
    ("move_ms", "a move, from the key to the figure", 100),
    ("start_first_page_s", "started, from the command to the first page", 2),
    ("stop_s", "stopped, with pages open and a question under way", None),
    ("fleet_open_ms", "ten thousand vehicles: the list", None),
    ("fleet_sort_ms", "ten thousand vehicles: sorted", None),
    ("fleet_search_ms", "ten thousand vehicles: searched", None),
    ("fleet_last_ms", "ten thousand vehicles: the last page", None),
)


def told(out: dict[str, Any]) -> None:
    print(f"{out['samples']:,} samples; {out['cores']} cores, {out['processor']}")
    for key, words, bar in BARS:
        found, load = out[key], out["load"].get(key.partition("_")[0], out["load_after"])
        unit = key.rpartition("_")[2]
        held = "" if bar is None else f"; bar {bar} {unit}: {'met' if found['median'] < bar else 'NOT met'}"
        some = f"median {found['median']} {unit}, worst {found['worst']} of {found['n']}"
        print(f"{words}: {some}, load {load[0]:.1f}{held}")


def processor() -> str:
    with suppress(OSError):
        lines = Path("/proc/cpuinfo").read_text("utf-8").splitlines()
        return next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), "unknown")
    return platform.processor() or "unknown"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--out", type=Path, default=ROOT / "build" / "bench")
    parser.add_argument("--samples", type=int, default=100_000_000)
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    out: dict[str, Any] = {"samples": given.samples, "cores": os.cpu_count(), "processor": processor()}
    out |= {"load_before": os.getloadavg(), "load": {}}
    with TemporaryDirectory(prefix="herdbook-bench-") as folder:
        for name in ("fleet", "signals"):
            (Path(folder) / name).mkdir()
        fleet(out, Path(folder) / "fleet")
        out["load"]["fleet"] = os.getloadavg()
        signals(out, Path(folder) / "signals", given.samples)
        out["load"] |= dict.fromkeys(("first", "zoom", "move"), os.getloadavg())
        start_and_stop(out, Path(folder) / "signals")
        out["load"] |= dict.fromkeys(("start", "stop"), os.getloadavg())
    out["load_after"] = os.getloadavg()
    (given.out / "desk.json").write_text(json.dumps(out, indent=1) + "\n")
    told(out)


if __name__ == "__main__":
    main()
