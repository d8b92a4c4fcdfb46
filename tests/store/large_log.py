"""How much memory and time it takes to take in a log larger than the memory it may have.

    python -m tests.store.large_log --gb 3                  times in order
    python -m tests.store.large_log --gb 0.3 --backwards    every time before that of the line above

The log is made in a temporary folder with the demo board's traffic, taken into a store of its own by a fresh process,
whose greatest resident size is asked of the system, and removed. It must stay under [take] log_memory_mb.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from demo_logs.writers import candump_text
from herdbook.decoders import Network
from herdbook.decoders.frames import part
from herdbook.pipeline.settings import Settings
from herdbook.pipeline.store.store import Store
from tests.bench.decode_logs import traffic
from tests.decoders.large import DBC, PIECE, ROOT, restamp

SERIALS = 0x700  # identifiers from here on: the made-up traffic names another vehicle in every frame of these
CHILD = """
import json, resource, sys
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.store.store import Store
done = take_log(sys.argv[1], Store.open(sys.argv[2]))
use = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps({"became": type(done).__name__, "said": getattr(done, "detail", ""),
                  "frames": done.report.frames if hasattr(done, "report") else 0,
                  "cpu_s": use.ru_utime + use.ru_stime, "peak_mb": use.ru_maxrss / 1024}))
"""


def make(path: Path, size: int, backwards: bool = False) -> int:
    """A candump log of at least `size` bytes; frames written."""
    made = traffic(Network.load(DBC), PIECE)
    made = part(made, np.flatnonzero(made.can_id < SERIALS))
    step = int(made.t[-1] - made.t[0]) + 100
    lines = candump_text(made).splitlines(keepends=True)
    t = made.t[::-1] if backwards else made.t
    text = np.frombuffer(b"".join(lines[::-1] if backwards else lines), np.uint8).copy()
    start = np.concatenate(([0], np.flatnonzero(text == ord("\n"))[:-1] + 1))
    pieces = -(-size // len(text))
    with path.open("wb") as file:
        for piece in range(pieces)[:: -1 if backwards else 1]:
            restamp(text, start, t + step * piece)
            file.write(text.data)
    return pieces * len(lines)


def measure(size: int, backwards: bool, folder: Path) -> dict[str, Any]:
    """What a fresh process made of such a log. Raises: AssertionError when a frame is missing or memory is over."""
    path, store = folder / "large.log", Store.create(folder / "store", ROOT / "dbc_demo")
    written = make(path, size, backwards)
    path.with_name("large.log.toml").write_text('vehicle = "ZB-9999"\n')
    begun = time.monotonic()
    command = [sys.executable, "-c", CHILD, str(path), str(store.folder)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout) | {"wall_s": time.monotonic() - begun}
    found |= {"gb": path.stat().st_size / 1e9, "written": written}
    assert found["became"] == "TakenLog", found
    assert found["frames"] == written, found
    assert found["peak_mb"] < Settings().log_memory_mb, found
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--gb", type=float, default=3.0)
    parser.add_argument("--backwards", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="herdbook-large-") as folder:
        f = measure(int(options.gb * 1e9), options.backwards, Path(folder))
    print(
        f"a log of {f['gb']:.2f} GB, {f['frames'] / 1e6:.1f} million frames: at most {f['peak_mb']:.0f} MB of memory, "
        f"{f['cpu_s']:.0f} s of processor, {f['wall_s']:.0f} s by the clock"
    )


if __name__ == "__main__":
    main()
