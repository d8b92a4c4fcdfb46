"""Damaged logs read by us and by the peer of each format (python-can where it knows it): where do the two differ?

    python -m tests.decoders.differential 300 [FOLDER [FORMAT ...]] [--jobs 16] [--seed 17] [--json FILE]

The inputs are those of seed and format, whatever the jobs.

A difference is told by what each of the two made of the same bytes. What matters is the last column of kinds: frames
that differ although we told no loss.
"""

from __future__ import annotations

import argparse
import json
import logging
import multiprocessing
import random
import signal
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from herdbook.decoders import DecoderError, open_log
from tests.decoders.fuzz import sound_logs
from tests.decoders.peers import Seen, frames_in
from tests.decoders.trial import Trial, all_trials

MOST = 200_000  # bytes of one input
PEER_S = 5.0  # for logs of 40 frames


def damaged(rng: random.Random, sound: bytes) -> bytes:
    """One to three slips: a bit, a byte, a piece left out, doubled or moved."""
    raw = bytearray(sound)
    for _ in range(rng.randint(1, 3)):
        at, n = rng.randrange(len(raw)), rng.choice((1, 1, 2, 8, 40))
        slip = rng.randrange(5)
        if slip == 0:
            raw[at] ^= 1 << rng.randrange(8)
        elif slip == 1:
            raw[at] = rng.randrange(256)
        elif slip == 2 and len(raw) > n + 40:
            del raw[at : at + n]
        elif slip == 3:
            raw[at:at] = raw[at : at + n]
        else:
            raw[at:at] = bytes(raw[(b := rng.randrange(len(raw))) : b + n])
    return bytes(raw[:MOST])


def plain(seen: list[Seen], channels: bool) -> list[tuple[object, ...]]:
    """Frames without what the peer does not keep: of an error frame all but that it is one; stamps to 10 us. python-can
    takes an FD frame without data for a remote frame, which FD does not have."""
    return [
        ("error",) if f[8] else (f[0] // 10, *f[1:6], f[6] and not f[3], *f[7:-1], *((f[-1],) if channels else ()))
        for f in seen
    ]


def subsequence(some: list[tuple[object, ...]], of: list[tuple[object, ...]]) -> bool:
    rest = iter(of)
    return all(any(near(a, b) for b in rest) for a in some)


def near(a: tuple[object, ...], b: tuple[object, ...]) -> bool:
    """Stamps may differ by rounding: the peer's are float seconds."""
    if len(a) == 1 or len(b) == 1:
        return a == b
    return abs(int(str(a[0])) - int(str(b[0]))) <= 1 and a[1:] == b[1:]


@contextmanager
def patience() -> Iterator[None]:
    """Raises: TimeoutError when the peer takes longer than that of processor time. In the main thread alone."""

    def end(*_: object) -> None:
        raise TimeoutError

    before = signal.signal(signal.SIGVTALRM, end)
    signal.setitimer(signal.ITIMER_VIRTUAL, PEER_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


def compared(trial: Trial, path: Path) -> str:
    """What the two made of a file."""
    try:
        log = open_log(path)
        mine, told = plain(frames_in(log), trial.channels), bool(log.losses)
    except DecoderError:
        mine, told = [], True
    try:
        with patience():
            other = plain(trial.peer(path), trial.channels)
    except TimeoutError:
        return "the peer does not come to an end; we " + ("keep frames" if mine else "refuse")
    except Exception:
        return "the peer stops with an error; we " + ("keep frames" if mine else "refuse")
    if len(mine) == len(other) and all(near(a, b) for a, b in zip(mine, other, strict=True)):
        return "the same frames"
    if not mine:
        return "we find no frame in it, which quarantines a log; the peer does"
    said = "loss told" if told else "no loss told"
    if subsequence(other, mine):
        return f"we keep more, {said}"
    if subsequence(mine, other):
        return f"the peer keeps more, {said}"
    return f"frames differ, {said}"


def hushed() -> None:
    """Peers complain of damaged logs in their own ways."""
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    sys.unraisablehook = lambda _: None  # peers that stop half way cannot tidy up after themselves


def judged(given: tuple[str, bytes]) -> tuple[str, bytes]:
    """given: format and input; what came of it, and the input again."""
    kind, raw = given
    trial = all_trials()[kind]
    with tempfile.TemporaryDirectory(prefix="herdbook-differential-") as folder:
        path = Path(folder) / f"made.{trial.suffix}"
        path.write_bytes(raw)
        return compared(trial, path), raw


def campaign(
    count: int, seed: int, keep: Path | None = None, wanted: Sequence[str] = (), jobs: int = 1
) -> dict[str, Counter[str]]:
    """By format, how often what. keep: a folder for one example of each kind, and for every one told no loss of. jobs:
    processes that compare; this one alone when 1."""
    if jobs > 1:
        with multiprocessing.get_context("spawn").Pool(jobs, hushed) as pool:
            return _campaign(count, seed, keep, wanted, partial(pool.imap, chunksize=4))
    before = sys.unraisablehook
    hushed()
    try:
        return _campaign(count, seed, keep, wanted, map)
    finally:
        logging.disable(logging.NOTSET)
        sys.unraisablehook = before


def _campaign(
    count: int, seed: int, keep: Path | None, wanted: Sequence[str], over: Callable[..., Iterable[tuple[str, bytes]]]
) -> dict[str, Counter[str]]:
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
    found: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory(prefix="herdbook-differential-") as name:
        for kind, trial in all_trials().items():
            if wanted and kind not in wanted:
                continue
            rng, folder = random.Random(f"{seed} {kind}"), Path(name) / kind
            folder.mkdir()
            sound, counts = sound_logs(trial, folder)[:2], Counter[str]()
            inputs = ((kind, damaged(rng, rng.choice(sound))) for _ in range(count))
            for said, raw in over(judged, inputs):
                if keep is not None and (not counts[said] or said.endswith("no loss told")):
                    (keep / f"{kind} {said} {counts[said]}.{trial.suffix}").write_bytes(raw)
                counts[said] += 1
            found[kind] = counts
    return found


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.decoders.differential")
    parser.add_argument("count", type=int, nargs="?", default=100, help="inputs of each format (100)")
    parser.add_argument("folder", type=Path, nargs="?", help="where examples are kept")
    parser.add_argument("formats", nargs="*", metavar="FORMAT", help=", ".join(all_trials()))
    parser.add_argument("--jobs", type=int, default=1, help="processes that compare (1)")
    parser.add_argument("--seed", type=int, default=17, help="(17)")
    parser.add_argument("--json", type=Path, help="a file for the counts")
    given = parser.parse_args()
    if unknown := [kind for kind in given.formats if kind not in all_trials()]:
        parser.error(f"no such format: {', '.join(unknown)}")
    found = campaign(given.count, given.seed, given.folder, given.formats, given.jobs)
    for kind, counts in found.items():
        for said, n in counts.most_common():
            print(f"{kind:8} {n:5}  {said}", flush=True)
    if given.json:
        given.json.write_text(json.dumps({"seed": given.seed, "inputs": given.count, "found": found}, indent=1) + "\n")


if __name__ == "__main__":
    main()
