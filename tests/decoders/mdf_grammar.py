"""Measurement files whose blocks are wrong one by one: links, sizes, kinds, counts and fields, not just any bytes.

    python -m tests.decoders.mdf_grammar 500 17

Each trial takes a sound file (asammdf's, through python-can; and layouts of tests.decoders.mdf_made), changes one to
three blocks by the grammar of the format, and reads it. Every outcome is one of:

    the same frames | refused by name | no frames (a log goes to quarantine) | others, loss told
    others, as the peer reads them | others, the peer stops | others, unlike the peer
    fault: an error that is no DecoderError | hangs: over 20 s

The last two must never be. `unlike the peer` is shown with what was changed, to be explained.
"""

from __future__ import annotations

import logging
import random
import re
import signal
import struct
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

from herdbook.decoders import DecoderError, open_log
from tests.decoders.differential import near, plain
from tests.decoders.fuzz import sound_logs
from tests.decoders.peers import frames_in
from tests.decoders.trial import all_trials

KINDS = (
    b"##HD",
    b"##DG",
    b"##CG",
    b"##CN",
    b"##CC",
    b"##TX",
    b"##MD",
    b"##DT",
    b"##SD",
    b"##DZ",
    b"##DL",
    b"##HL",
    b"##SI",
)
HEAD = struct.Struct("<4s4xQQ")
WIDE = (0, 1, 7, 8, 0xFF, 0xFFFF, 2**31, 2**32 - 1, 2**63, 2**64 - 1)
HANGS_S = 20


class HangsError(Exception):
    """It took too long."""


def blocks_of(raw: bytes) -> list[tuple[int, bytes, int, int]]:
    """Place, kind, size and number of links of every block, by looking for their marks at places of eight."""
    found = []
    for match in re.finditer(rb"##[A-Z]{2}\0{4}", raw):
        at = match.start()
        if at % 8 == 0 and at + HEAD.size <= len(raw):
            kind, size, links = HEAD.unpack_from(raw, at)
            if HEAD.size + 8 * links <= size <= len(raw) - at:
                found.append((at, kind, size, links))
    return found


def changed(rng: random.Random, sound: bytes) -> tuple[bytes, str]:
    """The file with one to three blocks changed, and what was done, in words."""
    raw, told = bytearray(sound), []
    for _ in range(rng.choice((1, 1, 2, 3))):
        known = blocks_of(bytes(raw))
        if not known:
            break
        at, kind, size, links = rng.choice(known)
        name, data = f"{kind.decode()}@{at}", at + HEAD.size + 8 * links
        match rng.randrange(9):
            case 0 if links:
                number = rng.randrange(links)
                to = rng.choice(
                    (0, at, rng.choice(known)[0], rng.choice(known)[0] + rng.choice((1, 8)), len(raw), 2**63)
                )
                struct.pack_into("<Q", raw, at + HEAD.size + 8 * number, to)
                told.append(f"link {number} of {name} leads to {to}")
            case 1:
                to = rng.choice((*WIDE, size - 8, size + 8, 24, size * 2))
                struct.pack_into("<Q", raw, at + 8, to % 2**64)
                told.append(f"size of {name} is {to}")
            case 2:
                to = rng.choice((*WIDE, links + 1, max(0, links - 1)))
                struct.pack_into("<Q", raw, at + 16, to)
                told.append(f"{name} has {to} links")
            case 3:
                to_kind = rng.choice(KINDS)
                raw[at : at + 4] = to_kind
                told.append(f"{name} is a {to_kind.decode()}")
            case 4 if at + size > data:
                place = rng.randrange(data, at + size)
                raw[place] ^= 1 << rng.randrange(8)
                told.append(f"a bit of {name} at {place - data}")
            case 5 if at + size >= data + 8:
                width, form = rng.choice(((1, "<B"), (2, "<H"), (4, "<I"), (8, "<Q")))
                place = data + rng.randrange((at + size - data) // width) * width
                value = rng.choice(WIDE) % 256**width
                struct.pack_into(form, raw, place, value)
                told.append(f"{width} bytes of {name} at {place - data} are {value}")
            case 6:
                other, _, other_size, _ = rng.choice(known)
                n = min(size, other_size)
                raw[at : at + n] = raw[other : other + n]
                told.append(f"{name} begins as the block at {other}")
            case 7:
                raw[at : at + size] = bytes(size)
                told.append(f"{name} is zeros")
            case _:
                del raw[at + size - rng.choice((1, 8, size // 2)) :]
                told.append(f"the file ends in {name}")
    return bytes(raw), "; ".join(told)


def outcome(path: Path, sound: list[tuple[object, ...]]) -> str:
    """What became of one file. sound: its frames before."""
    trial = all_trials()["mf4"]
    signal.alarm(HANGS_S)
    try:
        log = open_log(path)
        mine, told = plain(frames_in(log), trial.channels), bool(log.losses)
    except DecoderError:
        return "refused by name"
    except HangsError:
        return "hangs"
    except Exception as error:
        return f"fault: {type(error).__name__}: {error}"
    finally:
        signal.alarm(0)
    if _same(mine, sound):
        return "the same frames"
    if not mine:
        return "no frames"
    if told:
        return "others, loss told"
    signal.alarm(HANGS_S)
    try:
        other = plain(trial.peer(path), trial.channels)
    except BaseException as error:  # asammdf asserts, recurses and exits on some of these
        if isinstance(error, KeyboardInterrupt):
            raise
        return "others, the peer stops"
    finally:
        signal.alarm(0)
    if _same(mine, other):
        return "others, as the peer reads them"
    return f"others, unlike the peer: {len(mine)} frames of {len(sound)}, the peer {len(other)}"


def _same(one: list[tuple[object, ...]], other: list[tuple[object, ...]]) -> bool:
    """Stamps count from the first frame's: the peer does not know where a file of another layout begins."""
    return len(one) == len(other) and all(
        near((int(str(a[0])) - int(str(one[0][0])), *a[1:]), (int(str(b[0])) - int(str(other[0][0])), *b[1:]))
        if len(a) == len(b) > 1 and len(one[0]) == len(other[0]) > 1
        else near(a, b)
        for a, b in zip(one, other, strict=True)
    )


def campaign(count: int, seed: int) -> Iterator[tuple[str, str]]:
    """Of each trial how it ended, and what was changed."""
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    before = signal.signal(signal.SIGALRM, _late)
    try:
        with tempfile.TemporaryDirectory(prefix="herdbook-mdf-") as name:
            path, trial = Path(name) / "made.mf4", all_trials()["mf4"]
            logs = []
            for raw in sound_logs(trial, Path(name)):
                path.write_bytes(raw)
                logs.append((raw, plain(frames_in(open_log(path)), trial.channels)))
            for n in range(count):
                rng = random.Random(f"{seed} {n}")
                raw, frames = rng.choice(logs)
                made, told = changed(rng, raw)
                path.write_bytes(made)
                yield outcome(path, frames), f"{n}: {told}"
    finally:
        signal.signal(signal.SIGALRM, before)
        logging.disable(logging.NOTSET)


def _late(number: int, frame: FrameType | None) -> None:
    raise HangsError


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 17
    told: Counter[str] = Counter()
    for said, what in campaign(count, seed):
        told[said.split(": ")[0]] += 1
        if said.startswith(("fault", "hangs", "others, unlike")):
            print(f"{said}: {what}", flush=True)
    for said, n in told.most_common():
        print(f"{n:6}  {said}")


if __name__ == "__main__":
    main()
