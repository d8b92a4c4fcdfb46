"""How much memory a log takes that is larger than the memory it may have: made in a temporary folder, decoded whole.

    python -m tests.decoders.large --gb 4 [--kind log]          make large HERDBOOK_LARGE_GB=4
Decoding runs in a process of its own, whose greatest resident size is asked of the system. It must stay under 1 GB
whatever the size of the log, so that a log of 20 GB needs no more than one of 4.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from demo_logs.writers import candump_text
from herdbook.decoders import Network
from tests.bench.decode_logs import asc_text, traffic, write_blf

ROOT = Path(__file__).resolve().parents[2]
DBC = ROOT / "dbc_demo" / "zirbel.dbc"
LIMIT_MB = 1000
PIECE = 200_000  # frames
CHILD = """
import resource, sys, time
from herdbook.decoders import Network, decode_batches, open_log
start, frames, rows = time.perf_counter(), 0, 0
log = open_log(sys.argv[1])
def counted():
    global frames
    for chunk in log.chunks():
        frames += len(chunk)
        yield chunk
for tables in decode_batches(counted(), Network.load(sys.argv[2])):
    rows += sum(table.height for table in tables.values())
import json
print(json.dumps({"frames": frames, "rows": rows, "losses": len(log.losses), "seconds": time.perf_counter() - start,
                  "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""


def write_large(path: Path, size: int) -> int:
    """A log of at least `size` bytes with the demo board's traffic; frames written. The kind is the suffix."""
    made = traffic(Network.load(DBC), PIECE)
    step = int(made.t[-1] - made.t[0]) + 100
    written = 0
    if path.suffix == ".blf":
        write_blf(made, path)
        head, body = path.read_bytes()[:144], path.read_bytes()[144:]
        with path.open("wb") as file:
            file.write(head)
            while file.tell() < size:
                file.write(body)
                written += len(made)
        return written
    text = np.frombuffer(candump_text(made) if path.suffix == ".log" else asc_text(made), np.uint8).copy()
    start = np.concatenate(([0], np.flatnonzero(text == ord("\n"))[:-1] + 1))
    with path.open("wb") as file:
        if path.suffix == ".asc":
            file.write(b"base hex  timestamps absolute\n")
        while file.tell() < size:
            if path.suffix == ".log":
                restamp(text, start, made.t + step * (written // len(made)))
            file.write(text.data)
            written += len(made)
    return written


def restamp(text: NDArray[np.uint8], start: NDArray[np.int64], t: NDArray[np.int64]) -> None:
    """Write other times into lines that begin with "(1772352000.000000)"."""
    for place in (*range(17, 11, -1), *range(10, 0, -1)):
        t, digit = np.divmod(t, 10)
        text[start + place] = digit.astype(np.uint8) + np.uint8(48)


def decoded_apart(path: Path) -> dict[str, Any]:
    """What a fresh process that decodes the whole log says: frames, rows, losses, seconds, peak_mb."""
    done = subprocess.run([sys.executable, "-c", CHILD, str(path), str(DBC)], cwd=ROOT, capture_output=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def measure(kind: str, size: int, folder: Path) -> dict[str, Any]:
    """Make, decode and remove a log. Raises: AssertionError when a frame is missing or memory is over the limit."""
    free = shutil.disk_usage(folder).free
    if free < 2 * size:
        raise SystemExit(f"{folder}: {free / 1e9:.0f} GB free; a log of {size / 1e9:.1f} GB wants twice its size.")
    path = folder / f"large.{kind}"
    start = time.perf_counter()
    written = write_large(path, size)
    found: dict[str, Any] = {"kind": kind, "gb": path.stat().st_size / 1e9, "making_s": time.perf_counter() - start}
    found |= decoded_apart(path)
    path.unlink()
    assert found["frames"] == found["rows"] == written, found
    assert found["losses"] == 0, found
    assert found["peak_mb"] < LIMIT_MB, found
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--gb", type=float, default=4.0)
    parser.add_argument("--kind", choices=("log", "asc", "blf"), default="log")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="herdbook-large-") as folder:
        f = measure(options.kind, int(options.gb * 1e9), Path(folder))
    print(
        f"a .{f['kind']} of {f['gb']:.2f} GB, {f['frames'] / 1e6:.1f} million frames: at most {f['peak_mb']:.0f} MB "
        f"of memory, {f['seconds']:.0f} s by the clock (limit {LIMIT_MB} MB)"
    )


if __name__ == "__main__":
    main()
