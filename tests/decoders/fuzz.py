"""A fuzz run over every log format, plain and packed: whatever the damage, a log gives frames, losses or a refusal.

    python -m tests.decoders.fuzz --inputs 15000 --seed 1          make fuzz HERDBOOK_FUZZ=15000
Inputs are drawn by hypothesis from the seed, ten relatives from a draw, so that a run can be had again; what came of
a long run is written to tests/decoders/fuzz_record.json. An input that fails is made small, kept in
tests/decoders/fuzz_samples, and tried again by every run of the default tests.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import platform
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from herdbook.decoders import DecoderError, Frames, open_log
from tests.decoders.mutations import mutated, relatives
from tests.decoders.peers import can
from tests.decoders.trial import Trial, all_trials

HERE = Path(__file__).parent
RECORD, SAMPLES = HERE / "fuzz_record.json", HERE / "fuzz_samples"
TRIALS = {f"{t.suffix}{packed}": t for packed in ("", ".gz") for t in all_trials().values()}
KINDS = tuple(TRIALS)
LONG = 200_000  # inputs
RELATIVES = 10  # inputs from one draw: a draw takes several times as long as reading what it gives
MOST_FRAMES = 100_000
MOST_S = 20.0


def sound_logs(trial: Trial, folder: Path) -> list[bytes]:
    """Logs of a format: short and plain, one with everything that it can hold, other layouts where there are."""
    found = []
    for n, rich in ((4, False), (40, True)):
        path = folder / f"sound{n}.{trial.suffix}"
        trial.write(path, [_message(trial, i, rich) for i in range(n)], **({} if rich else trial.plain))
        found.append(path.read_bytes())
    return found + trial.others(folder)


def _message(trial: Trial, i: int, rich: bool) -> Any:
    remote = rich and i % 11 == 3 and "remote" in trial.holds
    error = rich and i % 13 == 5 and "error" in trial.holds
    fd = rich and i % 7 == 0 and not remote and not error and "fd" in trial.holds
    return can.Message(
        timestamp=1.7e9 + i / 1000,
        arbitration_id=0x100 + i,
        is_extended_id=rich and i % 5 == 0,
        channel=i % 2,
        is_remote_frame=remote,
        is_fd=fd,
        bitrate_switch=fd,
        dlc=i % 9,
        is_error_frame=error,
        data=None if remote else bytes(range(i % 9)),
    )


def judged(path: Path) -> tuple[str, int]:
    """Outcome and frames of one file. Raises: whatever is wrong with the reader."""
    start = time.monotonic()
    try:
        log = open_log(path)
        n = sum(_sound(frames) for frames in log.chunks())
    except DecoderError:
        return "refused", 0
    assert time.monotonic() - start < MOST_S, "took too long"
    assert n < MOST_FRAMES
    assert all(loss.bytes >= 0 and loss.offset >= 0 and loss.detail for loss in log.losses)
    return ("with losses" if log.losses else "whole"), n


def _sound(f: Frames) -> int:
    """Number of frames of a batch that keeps its promises."""
    n, width = len(f), f.payload.shape[1]
    assert n == len(f.payload) == len(f.channel) == len(f.can_id) == len(f.flags) == len(f.length) > 0
    assert width in (8, 64)
    assert int(f.length.max()) <= width
    assert int(f.channel.max()) < len(f.channels)
    assert int(f.can_id.max()) <= 0x1FFF_FFFF
    assert not f.payload[np.arange(width) >= f.length[:, None]].any()
    return n


def run(kind: str, inputs: int, number: int, folder: Path) -> dict[str, Any]:
    """Counts of one format. A failing input is kept; "failed" names its file and fault."""
    counts: Counter[str] = Counter()
    folder = folder / kind
    folder.mkdir()
    trial, packed = TRIALS[kind], kind.endswith(".gz")
    sound = sound_logs(trial, folder)
    path = folder / f"made.{kind}"
    failing = b""
    said = ""

    @seed(number)
    @settings(
        max_examples=max(1, inputs // RELATIVES),
        database=None,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=(Phase.generate, Phase.shrink),
    )
    @given(mutated(trial, sound), st.integers(0, 2**32 - 1))
    def some(content: bytes, variant: int) -> None:
        nonlocal failing, said
        for relative in relatives(trial, packed, content, variant, RELATIVES):
            path.write_bytes(relative)
            counts["inputs"] += 1
            try:
                outcome, frames = judged(path)
            except Exception as e:
                failing, said = relative, f"{type(e).__name__}: {e}"
                raise
            counts[outcome] += 1
            counts["frames"] += frames

    found: dict[str, Any] = {"seed": number}
    start = time.monotonic()
    try:
        some()
    except Exception:
        SAMPLES.mkdir(exist_ok=True)
        sample = SAMPLES / f"{hashlib.sha256(failing).hexdigest()[:12]}.{kind}"
        sample.write_bytes(failing)
        found["failed"] = f"{sample.name}: {said}"
    return (
        found
        | {k: counts[k] for k in ("inputs", "refused", "with losses", "whole", "frames")}
        | {"seconds": round(time.monotonic() - start, 1)}
    )


def _run(work: tuple[str, int, int, Path]) -> dict[str, Any]:
    return run(*work)


def _total(found: dict[str, dict[str, Any]]) -> dict[str, int]:
    return {k: sum(f[k] for f in found.values()) for k in ("inputs", "refused", "with losses", "whole", "frames")}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=1000, help="a format")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--kinds", nargs="*", default=KINDS)
    parser.add_argument(
        "--record",
        type=Path,
        default=RECORD,
        help=f"written by a run of {LONG:,} inputs over all formats; one of some formats renews those",
    )
    options = parser.parse_args()
    found: dict[str, dict[str, Any]] = {}
    spawn = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as folder, spawn.Pool(options.jobs, maxtasksperchild=1) as pool:
        work = [(kind, options.inputs, options.seed, Path(folder)) for kind in options.kinds]
        for (kind, *_), counts in zip(work, pool.imap(_run, work), strict=True):
            found[kind] = counts
            print(kind, counts, flush=True)
    total = _total(found)
    failed = {kind: f["failed"] for kind, f in found.items() if "failed" in f}
    print(
        f"{total['inputs']} inputs, seed {options.seed}: {total['refused']} refused, {total['with losses']} with "
        f"losses, {total['whole']} whole, {total['frames']} frames; failed: {failed or 'none'}"
    )
    if options.inputs * len(KINDS) >= LONG:
        before = json.loads(options.record.read_text())["formats"] if options.record.exists() else {}
        formats = {kind: (before | found)[kind] for kind in KINDS if kind in before | found}
        told = {"python": platform.python_version(), "total": _total(formats), "formats": formats}
        options.record.write_text(json.dumps(told, indent=1) + "\n")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
