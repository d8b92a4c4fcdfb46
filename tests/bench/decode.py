"""How fast decoding is, against python-can with cantools and against asammdf, in one run on the same files.

    python tests/bench/decode.py --out build/bench [--frames 2000000] [--peer-frames 100000]

Every figure is frames a second of one process on one core, best of three for us, once for the peers, in processor
time so that other work on the machine counts little. Peers of frame-by-frame kind are measured on the first
`peer-frames` frames of the same file: their time grows in proportion. Writes decode.json and decode.md.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import platform
import subprocess
import sys
import tempfile
import time
import warnings
import zlib
from collections.abc import Callable
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from herdbook.decoders import (  # noqa: E402
    Decoder,
    Network,
    decode,
    decode_log,
    open_log,
    read_frames,
)
from herdbook.pipeline.lake.layout import layout_of  # noqa: E402
from herdbook.pipeline.lake.part import Chunk  # noqa: E402
from herdbook.pipeline.lake.part_writer import PartWriter  # noqa: E402
from tests.bench.decode_logs import traffic, write_all  # noqa: E402

DBC = ROOT / "dbc_demo" / "zirbel.dbc"
BARS = {"log": 30.0, "blf": 20.0, "asc": 20.0, "mf4": 3.0, "bits": 100.0, "cores": 1.7}


def best(work: Callable[[], Any], times: int = 3) -> float:
    """Least processor seconds of a few runs."""
    found = []
    for _ in range(times):
        start = time.process_time()
        work()
        found.append(time.process_time() - start)
    return min(found)


def peer_log(path: Path, database: Any, frames: int) -> float:
    """Processor seconds of python-can's reader with cantools' decode_message."""
    import can

    def work() -> None:
        with can.LogReader(path) as reader:
            for message in islice(reader, frames):
                database.decode_message(
                    message.arbitration_id, message.data, decode_choices=False, allow_truncated=True
                )

    return best(work, 1)


def peer_mf4(path: Path) -> float:
    from asammdf import MDF

    def work() -> None:
        with MDF(path) as mdf:
            mdf.extract_bus_logging(database_files={"CAN": [(str(DBC), 0)]}).close()

    return best(work, 1)


def bounds(paths: dict[str, Path], tables: dict[str, Any]) -> dict[str, float]:
    """Processor seconds of what nobody can do without: reading, inflating, writing the result to memory."""
    columns = [t[c].to_numpy() for t in tables.values() for c in t.columns if t[c].dtype.is_numeric()]
    blf = paths["blf"].read_bytes()
    packed = []
    at = 144
    while at < len(blf):
        size = int.from_bytes(blf[at + 8 : at + 12], "little")
        packed.append(blf[at + 32 : at + size])
        at += size + size % 4
    return {
        **{f"read {kind}": best(partial(np.fromfile, path, np.uint8)) for kind, path in paths.items()},
        "inflate blf": best(lambda: [zlib.decompress(p) for p in packed]),
        "copy columns": best(lambda: [c.copy() for c in columns]),
    }


def two_cores(path: Path) -> dict[str, float]:
    """Four logs decoded by one process against two, imports done before: ratio of wall times, and the same from
    processor time, which other work on the machine disturbs less: twice the work of one over what two needed for it."""

    def run(workers: int) -> tuple[float, float]:
        with multiprocessing.get_context("spawn").Pool(workers) as pool:
            pool.map(_seconds, [str(path)] * workers, chunksize=1)
            start = time.perf_counter()
            spent = pool.map(_seconds, [str(path)] * 4, chunksize=1)
            return time.perf_counter() - start, sum(spent)

    one, two = run(1), run(2)
    return {"wall": one[0] / two[0], "processor": 2 * one[1] / two[1]}


def _seconds(path: str) -> float:
    """Processor seconds of decoding one log."""
    start = time.process_time()
    decode_log(path, Network.load(DBC))
    return time.process_time() - start


def log_to_part(path: Path, network: Network, folder: Path) -> None:
    """As intake does it: signals stay the raw counts that the lake keeps."""
    decoder = Decoder(network)
    for frames in open_log(path).chunks():
        decoder.add(frames)
    with PartWriter(folder / "made.parquet", layout_of(network), folder) as writer:
        for message, table in sorted(decoder.arrays(counts=True).items()):
            writer.add(Chunk("0" * 64, message, table))
        writer.close({})


def start_up(path: Path) -> dict[str, float]:
    """Whole process: 1,000 frames decoded; least of five, wall and processor seconds."""
    short = path.with_name("short.log")
    with path.open("rb") as file:
        short.write_bytes(b"".join(islice(file, 1000)))
    code = (
        "import time; from herdbook.decoders import Network, decode_log; "
        f"decode_log({str(short)!r}, Network.load({str(DBC)!r})); print(time.process_time())"
    )
    walls, cpus = [], []
    for _ in range(5):
        start = time.perf_counter()
        done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=True)
        cpus.append(float(done.stdout))
        walls.append(time.perf_counter() - start)
    return {"wall s": min(walls), "processor s": min(cpus)}


def measure(frames: int, peer_frames: int) -> dict[str, Any]:
    warnings.simplefilter("ignore")
    import cantools

    network = Network.load(DBC)
    database: Any = cantools.database.load_file(DBC)
    with tempfile.TemporaryDirectory() as folder:
        made = traffic(network, frames)
        n = len(made)
        paths = write_all(made, Path(folder))
        tables = decode_log(paths["log"], network)
        ours = {kind: best(partial(decode_log, path, network)) for kind, path in paths.items()}
        read = {kind: best(partial(read_frames, path)) for kind, path in paths.items()}
        ours["bits"] = best(lambda: decode(made, network))
        theirs = {
            kind: peer_log(paths[kind], database, peer_frames) * n / peer_frames for kind in ("log", "blf", "asc")
        }
        theirs["mf4"] = peer_mf4(paths["mf4"])
        raw = [
            (int(i), row[:k].tobytes())
            for i, row, k in zip(made.can_id[:peer_frames], made.payload, made.length, strict=False)
        ]
        theirs["bits"] = best(lambda: [database.decode_message(i, d, decode_choices=False) for i, d in raw], 1)
        theirs["bits"] *= n / peer_frames
        part = best(partial(log_to_part, paths["log"], network, Path(folder)))
        return {
            "frames": n,
            "peer_frames": peer_frames,
            "machine": platform.machine(),
            "python": platform.python_version(),
            "sizes": {k: p.stat().st_size for k, p in paths.items()},
            "columns": sum(t.width for t in tables.values()),
            "ours_s": ours,
            "read_only_s": read,
            "peer_s": theirs,
            "bounds_s": bounds(paths, tables),
            "part_share": part / ours["log"] - 1,
            "cores": two_cores(paths["log"]),
            "start_up": start_up(paths["log"]),
        }


def as_markdown(found: dict[str, Any]) -> str:
    n = found["frames"]
    rows = ["| from | ours, M frames/s | peer, k frames/s | ratio | bar |", "|---|---|---|---|---|"]
    for kind, peer in found["peer_s"].items():
        ours = found["ours_s"][kind]
        rates = f"{n / ours / 1e6:.2f} | {n / peer / 1e3:.0f}"
        rows.append(f"| {kind} | {rates} | {peer / ours:.1f}x | {BARS[kind]:.0f}x |")
    for clock, ratio in found["cores"].items():
        rows.append(f"| two cores against one, by {clock} time | | | {ratio:.2f}x | {BARS['cores']}x |")
    share = 100 * found["part_share"]
    rows.append(f"| .log to a part of the lake, beyond decoding it to columns | | | {share:.0f} % | 40 % |")
    rows += ["", "| bound | s | ours, s |", "|---|---|---|"]
    rows += [
        f"| {name} | {s:.3f} | {found['ours_s'].get(name.split()[1], found['ours_s']['bits']):.3f} |"
        for name, s in found["bounds_s"].items()
    ]
    rows.append(
        f"\nStart-up, 1,000 frames, whole process: {found['start_up']['wall s']:.2f} s wall, "
        f"{found['start_up']['processor s']:.2f} s of processor. {n} frames, {found['columns']} columns."
    )
    return "\n".join(rows) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=ROOT / "build" / "bench")
    parser.add_argument("--frames", type=int, default=2_000_000)
    parser.add_argument("--peer-frames", type=int, default=100_000)
    options = parser.parse_args()
    found = measure(options.frames, options.peer_frames)
    options.out.mkdir(parents=True, exist_ok=True)
    (options.out / "decode.json").write_text(json.dumps(found, indent=1))
    (options.out / "decode.md").write_text(as_markdown(found))
    print(as_markdown(found))


if __name__ == "__main__":
    main()
