"""The quick ways through a text log against the slow ones: damaged lines of all kinds give the same frames and losses.

The slow ways read line by line (candump: a regular expression) or word by word (.asc) and share no step with the quick.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from herdbook.decoders import Frames
from herdbook.decoders.formats.asc import reader as asc
from herdbook.decoders.formats.candump import reader as candump
from herdbook.decoders.formats.candump.aligned import read_aligned
from herdbook.decoders.reading.reader import Account
from herdbook.decoders.reading.rows import Labels, Rows
from herdbook.decoders.text.fields import PAD

ODD = b" \n\t.#()xXRTdr0123456789abcdefABCDEFgG@`!:/\x00\x01\x10\xff"


def padded(text: bytes) -> NDArray[np.uint8]:
    edge = b"\n" * PAD
    return np.frombuffer(edge + text + edge, np.uint8)


def damaged(text: bytes, rng: random.Random) -> bytes:
    """One to six bytes replaced, put in or taken out."""
    out = bytearray(text)
    for _ in range(rng.randint(1, 6)):
        at, what = rng.randrange(len(out)), rng.randrange(3)
        if what == 0:
            out[at] = rng.choice(ODD)
        elif what == 1:
            out.insert(at, rng.choice(ODD))
        else:
            del out[at]
    return bytes(out) + b"\n"


def rows_of(f: Frames) -> list[tuple[object, ...]]:
    return [
        (
            int(f.t[i]),
            f.channels[f.channel[i]],
            int(f.can_id[i]),
            int(f.flags[i]),
            int(f.length[i]),
            f.payload[i, : max(8, int(f.length[i]))].tobytes(),
        )
        for i in range(len(f))
    ]


def candump_line(rng: random.Random) -> bytes:
    seconds = rng.choice([0, 7, 1_700_000_000, 99_999_999, 100_000_000, 123_456_789_012])
    identifier = rng.choice([f"{rng.getrandbits(11):03X}", f"{rng.getrandbits(29):08x}", f"{0x20000000 + 4:08X}"])
    size = rng.randrange(9)
    data = rng.choice(
        [
            f"#{rng.randbytes(size).hex()}",
            f"#{rng.randbytes(8).hex().upper()}",
            "#R",
            "#R4",
            f"##{rng.randrange(4)}{rng.randbytes(rng.choice([0, 8, 12, 64])).hex()}",
        ]
    )
    tail = rng.choice(["", "", "", " R", " T", " x"])
    label = rng.choice(["can0", "can1", "vcan12"])
    return f"({seconds}.{rng.randrange(10**6):06d}) {label} {identifier}{data}{tail}".encode()


def candump_alike(rng: random.Random) -> bytes:
    """Lines whose blanks stand at the same places, as a logger writes them."""
    second = rng.choice([5, 99_999_980, 1_700_000_000, 123_456_789_012])
    labels = rng.choice([["can0"], ["can0", "can1"], ["vcan12_ab"], ["a"], ["sixteen_letters1", "sixteen_letters2"]])
    wide, short, tails = rng.choice([0, 0.3, 1]), rng.choice([0, 0.3]), rng.choice([[""], [""], [" R", " T"]])
    lines = []
    for i in range(rng.randint(1, 30)):
        identifier = (
            f"{rng.getrandbits(29) | (rng.random() < 0.1) << 29:08X}"
            if rng.random() < wide
            else (f"{rng.getrandbits(11):03X}")
        )
        data = rng.randbytes(rng.randrange(8) if rng.random() < short else 8).hex()
        lines.append(
            f"({second + i // 9}.{rng.randrange(10**6):06d}) {rng.choice(labels)} "
            f"{identifier}#{data}{rng.choice(tails)}"
        )
    return rng.choice(["\n", "\n", "\n\n"]).join(lines).encode() + b"\n"


def candump_slow(text: bytes) -> tuple[list[tuple[object, ...]], int]:
    """Frames and bytes lost, by the regular expression alone."""
    labels, found, lost = Labels(), [], 0
    for line in text.split(b"\n"):
        rows = Rows(1)
        if candump._one(line, 0, rows, labels):
            found += rows_of(rows.frames(labels))
        elif line.strip():
            lost += len(line) + 1
    return found, lost


@pytest.mark.parametrize("seed", range(60))
def test_candump(seed: int) -> None:
    rng = random.Random(seed)
    even = seed % 3 == 0  # every line of one shape, as loggers write
    first = candump_line(rng)
    for _ in range(12):
        lines = [first if even else candump_line(rng) for _ in range(rng.randint(1, 30))]
        text = b"\n".join(lines) + b"\n"
        for version in (text, damaged(text, rng)):
            account = Account()
            frames = candump._parse(padded(version), 0, Labels(), account)
            assert (rows_of(frames), sum(x.bytes for x in account.losses)) == candump_slow(version), version


@pytest.mark.parametrize("seed", range(60))
def test_candump_lines_laid_out_alike(seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(40):
        text = candump_alike(rng)
        frames = read_aligned(padded(text), Labels())
        assert frames is not None
        assert (rows_of(frames), 0) == candump_slow(text), text
        version, labels = damaged(text, rng), Labels()
        frames = read_aligned(padded(version), labels)
        if frames is None:
            assert not labels.names  # a block left to the general reader numbers no label
        else:
            assert (rows_of(frames), 0) == candump_slow(version), version


def asc_line(rng: random.Random, t: float) -> bytes:
    extended = rng.random() < 0.3
    identifier = f"{rng.getrandbits(29):X}x" if extended else f"{rng.getrandbits(11):X}"
    size = rng.choice([8, 8, rng.randrange(1, 9)])
    tail = rng.choice(["", "  Length = 240015 BitCount = 124 ID = 100"])
    way = rng.choice(["Rx", "Tx"])
    return (
        f"{t: 9.6f} {rng.randrange(1, 4)}  {identifier:<15} {way:<4} d {size} "
        f"{rng.randbytes(size).hex(' ').upper()}{tail}"
    ).encode()


@pytest.mark.parametrize("seed", range(60))
def test_asc(seed: int) -> None:
    rng = random.Random(seed)
    start = rng.choice([0.0, 9.5, 1234.0, 99_999_990.0, 123_456_789.0])
    others = [
        b"   1.015991 1  Statistic: D 0 R 0",
        b"// a comment",
        b"  2.5 1 ErrorFrame",
        b"End TriggerBlock",
        b"  30.005071 CANFD   2 Rx        300  Name_12   1 0 8  8 01 02 03 04 05 06 07 08   102203  133   303000",
    ]
    for _ in range(12):
        lines = [
            asc_line(rng, start + i / 7) if rng.random() < 0.9 else rng.choice(others)
            for i in range(rng.randint(1, 30))
        ]
        text = b"\n".join(lines) + b"\n"
        for version in (text, damaged(text, rng)):
            found = []
            for begun in (True, False):
                state = asc.AscHeader(Account())
                state.begun = begun
                frames = asc._parse(padded(version), 0, state)
                found.append((rows_of(frames), sum(x.bytes for x in state.account.losses)))
            assert found[0] == found[1], version


def test_most_lines_of_a_usual_log_go_the_quick_way(tmp_path: Path) -> None:
    rng = random.Random(1)
    text = b"\n".join(asc_line(rng, i / 100) for i in range(400)) + b"\n"
    state = asc.AscHeader(Account())
    frames = asc._aligned(padded(text), 0, state)
    assert frames is not None
    assert len(frames) == 400
    assert candump._even(padded(b"(1.000000) can0 123#11\n" * 50)) is not None
