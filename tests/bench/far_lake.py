"""What a lake on object storage costs beside a local one: the demo fleet, taken in, then all of it assessed again.

    .venv/bin/python tests/bench/far_lake.py [--rounds 3]

Processor time of the scan's own process (jobs 0, imports included), least of several rounds; moto's server on loopback
runs in a process of its own and is not counted. "again" begins with an empty cache, as on another machine. Bytes are
those of parts, counted where they are sent and fetched.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from herdbook.flows.server.server import free_port

ROOT = Path(__file__).resolve().parents[2]
CODE = """
import json, shutil, sys, time
from pathlib import Path
from herdbook.pipeline.lake.remote import RemoteLake
from herdbook.pipeline.night.scan import reassess, run_scan
from herdbook.pipeline.store.store import Store
what, folder, profiles, inbox = sys.argv[1:]
moved = {"sent": 0, "fetched": 0, "uploads": 0, "fetches": 0}
upload, fetch = RemoteLake._upload, RemoteLake._fetch
def counted_upload(self, path, key):
    moved["sent"] += path.stat().st_size
    moved["uploads"] += 1
    upload(self, path, key)
def counted_fetch(self, part, copy):
    found = fetch(self, part, copy)
    if found:
        moved["fetched"] += copy.stat().st_size
        moved["fetches"] += 1
    return found
RemoteLake._upload, RemoteLake._fetch = counted_upload, counted_fetch
wall = time.perf_counter()
if what == "scan":
    run_scan(inbox, Store.create(folder, profiles), jobs=0)
else:
    shutil.rmtree(Path(folder) / "cache", ignore_errors=True)
    reassess(Store.open(folder), jobs=0)
print(json.dumps(moved | {"processor_s": time.process_time(), "wall_s": time.perf_counter() - wall}))
"""


def one(what: str, store: Path, env: dict[str, str]) -> dict[str, float]:
    args = [sys.executable, "-c", CODE, what, str(store), str(ROOT / "dbc_demo"), str(ROOT / "demo_logs" / "fleet")]
    done = subprocess.run(args, cwd=ROOT, env=env, capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    asked.add_argument("--rounds", type=int, default=3)
    asked.add_argument("--out", type=Path)
    given = asked.parse_args()
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    keys = {"AWS_ACCESS_KEY_ID": "k", "AWS_SECRET_ACCESS_KEY": "s", "AWS_DEFAULT_REGION": "us-east-1"}
    env = os.environ | keys | {"AWS_ENDPOINT_URL": url, "PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "ignore"}
    server = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)],
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    found: dict[str, list[dict[str, float]]] = {}
    try:
        wait_for(url)
        for n in range(given.rounds):
            with tempfile.TemporaryDirectory() as folder:
                urllib.request.urlopen(urllib.request.Request(f"{url}/bench{n}", method="PUT")).close()
                for name, lake in (("local", ""), ("s3", f"s3://bench{n}/lake")):
                    store = Path(folder) / name
                    store.mkdir()
                    (store / "herdbook.toml").write_text(f'lake = "{lake}"\n' if lake else "")
                    for what in ("scan", "again"):
                        found.setdefault(f"{name} {what}", []).append(one(what, store, env))
    finally:
        server.terminate()
        server.wait()
    least = {name: min(some, key=lambda x: x["processor_s"]) for name, some in found.items()}
    print(f"{'':12} {'processor s':>12} {'wall s':>8} {'sent MB':>8} {'got MB':>8} {'uploads':>8} {'fetches':>8}")
    for name, x in least.items():
        print(
            f"{name:12} {x['processor_s']:12.2f} {x['wall_s']:8.2f} {x['sent'] / 1e6:8.3f} {x['fetched'] / 1e6:8.3f} "
            f"{x['uploads']:8d} {x['fetches']:8d}"
        )
    if given.out:
        given.out.mkdir(parents=True, exist_ok=True)
        (given.out / "far_lake.json").write_text(json.dumps(least, indent=1))


def wait_for(url: str) -> None:
    end = time.monotonic() + 60
    while time.monotonic() < end:
        try:
            urllib.request.urlopen(url).close()
        except OSError:
            time.sleep(0.2)
        else:
            return
    raise SystemExit("the server did not start")


if __name__ == "__main__":
    main()
