"""How long a vehicle-day takes from log to part and from part to roles, and what compression costs.

    .venv/bin/python tests/bench/store_part.py [--frames 400000]

Processor time of one core, best of five, so that other work on the machine counts little. The log is written here:
a DBC of 16 messages with 6 signals each, walking values.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

import herdbook.pipeline.lake.part_writer as part_module
from herdbook.decoders import Decoder, Frames, Network, open_log
from herdbook.decoders.integrity.checks import IntegrityCheck
from herdbook.pipeline.intake.outcome import TakenLog
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.lake.layout import layout_of
from herdbook.pipeline.lake.part import Chunk
from herdbook.pipeline.lake.part_writer import PartWriter
from herdbook.pipeline.lake.read import LogRef, read_signals
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.profile import load_profiles

MESSAGES = 16
T0 = 1_772_352_000_000_000
FORMS = ("16@1- (0.01,0)", "16@1- (0.1,0)", "8@1+ (0.5,-40)", "8@1+ (1,0)", "4@1+ (1,0)", "12@1+ (0.25,0)")


def write_inputs(folder: Path, frames: int) -> Path:
    """A profile, its DBC and a log with a sidecar; the log."""
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: ECU", ""]
    for m in range(MESSAGES):
        lines.append(f"BO_ {256 + m} M{m:02d}: 8 ECU")
        start = 0
        for i, form in enumerate(FORMS):
            lines.append(f' SG_ S{i} : {start}|{form} [0|0] "A" ECU')
            start += int(form.split("@")[0])
        lines.append("")
    (folder / "b.dbc").write_text("\n".join(lines))
    sides = ['pack_current = "M00.S0"\ncharge_limit = "M01.S0"\nregen_demand = "M02.S0"\n']
    sides += [f'cell_voltage = {{ signal = "M{{n:02d}}.S1", n = "3..{MESSAGES - 1}", unit = "mV" }}\n']
    (folder / "b.toml").write_text('[[bus]]\ndbc = "b.dbc"\n[roles]\n' + "".join(sides))
    rng = np.random.default_rng(0)
    n = frames // MESSAGES
    walk = np.cumsum(rng.integers(-2, 3, (MESSAGES, n, 4)), axis=1).astype("<i2").view(np.uint8).reshape(MESSAGES, n, 8)
    log = folder / "in" / "bench.log"
    log.parent.mkdir()
    with log.open("w") as file:
        for i in range(n):
            for m in range(MESSAGES):
                t = T0 + i * 100_000 + m * 5_000
                file.write(f"({t // 10**6}.{t % 10**6:06d}) can0 {256 + m:03X}#{walk[m, i].tobytes().hex().upper()}\n")
    log.with_name("bench.log.toml").write_text('vehicle = "BENCH"\n')
    return log


def best(work: Callable[[], object], times: int = 5) -> float:
    """Least processor seconds of several runs."""
    spent = []
    for _ in range(times):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return min(spent)


def main(frames: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = write_inputs(folder, frames)
        store = Store.create(folder / "store", folder)
        profiles = load_profiles(folder)
        network = profiles[0].network()

        def whole() -> None:
            for part in store.lake.root.rglob("*.parquet"):
                part.unlink()
            assert isinstance(take_log(log, store, profiles), TakenLog)

        pieces = list(open_log(log).chunks())

        def decode() -> None:
            decoder, check = Decoder(network), IntegrityCheck(network)
            for frames in pieces:
                decoder.add(frames)
                check.add(frames)
            decoder.tables()

        took = best(whole)
        print(f"log to part    {took:.3f} s, {frames / took / 1e6:.2f} million frames/s of one core")
        print(f"  read         {best(lambda: sum(len(f) for f in open_log(log).chunks())):.3f} s")
        decoding = best(decode)
        print(f"  decode       {decoding:.3f} s with integrity")
        writes(pieces, network, folder)
        taken = take_log(log, store, profiles)
        assert isinstance(taken, TakenLog)
        ref = LogRef(taken.file.log, taken.part, "b", taken.spans[0].start, taken.spans[-1].end)
        read = best(lambda: read_signals(store.lake, [ref], profiles, "BENCH", ref.start, ref.end + 1))
        print(f"part to roles  {read:.3f} s for {MESSAGES} roles, {taken.part_bytes / 1e6:.2f} MB part")


def writes(pieces: list[Frames], network: Network, folder: Path) -> None:
    """Seconds and size of the part by compression."""
    decoder = Decoder(network)
    for frames in pieces:
        decoder.add(frames)
    tables, layout = decoder.arrays(counts=True), layout_of(network)

    def write() -> None:
        with PartWriter(folder / "x.parquet", layout, folder) as writer:
            for message in sorted(tables):
                writer.add(Chunk("a" * 64, message, tables[message]))
            writer.close({})

    for kind, level in (("none", None), ("lz4", None), ("snappy", None), ("zstd", 1), ("zstd", 3)):
        part_module.COMPRESSION, part_module.LEVEL = kind, level
        took = best(write)
        print(f"  write {kind:6} {took:.3f} s, {(folder / 'x.parquet').stat().st_size / 1e6:.2f} MB")
    part_module.COMPRESSION, part_module.LEVEL = "lz4", None


if __name__ == "__main__":
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--frames", type=int, default=400_000)
    arguments.add_argument("--out", type=Path, help="taken for the sake of make bench; everything is printed")
    main(arguments.parse_args().frames)
