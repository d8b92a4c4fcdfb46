"""Damage of many kinds to a sound log, drawn by hypothesis: to its bytes, to the words and lines of a text, to the
numbers in the headers of a container's blocks, and to the gzip file around it."""

from __future__ import annotations

import gzip
import random
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Literal

from hypothesis import strategies as st

from tests.decoders.trial import Trial

PLACE = st.integers(0, 1 << 20)  # taken modulo what there is
SIZE = st.sampled_from([1, 1, 4, 16, 64, 512])
NUMBERS = (
    0,
    1,
    2,
    7,
    8,
    9,
    15,
    16,
    63,
    64,
    65,
    0x7F,
    0xFF,
    0xFFFF,
    0x7FFF_FFFF,
    0x8000_0000,
    0xFFFF_FFFF,
    2**63,
    2**64 - 1,
)
WORDS = (
    b"",
    b"0",
    b"-1",
    b"+1",
    b"9" * 20,
    b"x",
    b"FFFFFFFFF",
    b"1fffffffx",
    b"1e308",
    b"nan",
    b"inf",
    b"\0",
    b"R",
    b"r",
    b"##",
    b"#",
    b"d",
    b"Rx",
    b"CANFD",
    b"ErrorFrame",
    b";",
    b",",
    b".",
    b"0.0000001",
    b"0x",
    b"DT",
    b"FD",
    b"RTR",
    b"64",
    b"base dec timestamps relative",
    b"\xff\xfe",
    b"_" * 80,
    b"(1.5)",
    b"AA==",
    b"=",
)
ODD = b" \n\t.#()xXRTdr09afAF@`!:/,;=\x00\x01\x0b\x7f\x80\xff"
PAGE = 4096  # where blocks begin in a format that does not mark them
Change = Callable[[bytes], bytes]


def changes(trial: Trial) -> st.SearchStrategy[Change]:
    """One change to the content of a log of some format."""
    if trial.shape == "text":
        return st.one_of(_bytes(), _lines(), _words(), _words())
    if trial.shape == "stream":
        return st.one_of(_bytes(), _fields(trial.marks), _fields(trial.marks))
    return st.one_of(_bytes(("flip", "zero", "cut", "move")), _fields(trial.marks))


def mutated(trial: Trial, sound: Sequence[bytes]) -> st.SearchStrategy[bytes]:
    """One to six changes to one of a few sound logs of a format, some spliced with another."""
    most = 2 if trial.shape == "linked" else 6
    content = st.builds(_changed, st.sampled_from(list(sound)), st.lists(changes(trial), min_size=1, max_size=most))
    return st.one_of(content, content, st.builds(_spliced, st.sampled_from(list(sound)), content, PLACE, PLACE))


def relatives(trial: Trial, packed: bool, content: bytes, number: int, count: int) -> Iterator[bytes]:
    """The content and `count` - 1 like it with a little more of it wrong, told by a number: much cheaper than draws.

    packed: each is, as one member of a .gz or as two, and of every third the packed bytes are wrong too.
    """
    rng = random.Random(number)
    for i in range(count):
        out = _worse(content, rng, trial.shape == "linked") if i else content
        if packed:
            out = _packed(out, rng.randrange(1 << 20))
            out = _worse(out, rng, rng.random() < 0.7) if i % 3 == 2 else out
        yield out


def _worse(content: bytes, rng: random.Random, in_place: bool) -> bytes:
    out = bytearray(content)
    for _ in range(rng.randint(1, 2 if in_place else 4)):
        at, what = rng.randrange(len(out) + 1), rng.choice((0, 1, 2) if in_place else (0, 1, 2, 3, 4))
        if what == 0:
            out[at : at + 1] = bytes([rng.choice(ODD)])
        elif what == 1 and at < len(out):
            out[at] ^= 1 << rng.randrange(8)
        elif what == 2:
            out[at : at + 4] = rng.choice(NUMBERS[:-2]).to_bytes(4, rng.choice(("big", "little")))
        elif what == 3:
            del out[at : at + rng.choice((1, 1, 2, 8, 40))]
        else:
            out[at:at] = out[at : at + rng.choice((1, 4, 30))]
    return bytes(out)


def _changed(content: bytes, some: list[Change]) -> bytes:
    for change in some:
        content = change(content)
    return content


def _spliced(a: bytes, b: bytes, at: int, to: int) -> bytes:
    return a[: at % (len(a) + 1)] + b[to % (len(b) + 1) :]


def _packed(content: bytes, at: int) -> bytes:
    at %= len(content) + 1
    return gzip.compress(content[:at], 1, mtime=0) + (gzip.compress(content[at:], 1, mtime=0) if at % 3 else b"")


WAYS = ("flip", "flip", "cut", "head", "drop", "double", "move", "zero", "insert", "tail")


def _bytes(ways: Sequence[str] = WAYS) -> st.SearchStrategy[Change]:
    def build(what: str, at: int, to: int, size: int, new: bytes) -> Change:
        def change(old: bytes) -> bytes:
            a, b = at % (len(old) + 1), to % (len(old) + 1)
            piece = old[a : a + size]
            rest = old[:a] + old[a + size :]
            return {
                "flip": old[:a] + bytes(x ^ 1 << to % 8 for x in old[a : a + 1]) + old[a + 1 :],
                "cut": old[:a],
                "head": old[a:],
                "drop": rest,
                "double": old[:a] + piece + old[a:],
                "move": rest[:b] + piece + rest[b:],
                "zero": old[:a] + bytes(len(piece)) + old[a + size :],
                "insert": old[:a] + new + old[a:],
                "tail": old + new,
            }[what]

        return change

    return st.builds(build, st.sampled_from(ways), PLACE, PLACE, SIZE, st.binary(max_size=40))


def _words() -> st.SearchStrategy[Change]:
    """A word of some line gives way to another, goes, or is doubled; blanks and separators stay."""

    def build(what: int, line: int, word: int, new: bytes) -> Change:
        def change(old: bytes) -> bytes:
            lines = old.split(b"\n")
            parts = re.split(rb"([ ,#.()]+)", lines[line % len(lines)])
            i = word % len(parts)
            parts[i] = (new, b"", parts[i] * 2, parts[i] + new, parts[i][:-1])[what]
            lines[line % len(lines)] = b"".join(parts)
            return b"\n".join(lines)

        return change

    return st.builds(build, st.integers(0, 4), PLACE, PLACE, st.one_of(st.sampled_from(WORDS), st.binary(max_size=6)))


def _lines() -> st.SearchStrategy[Change]:
    def build(what: int, at: int, to: int, count: int) -> Change:
        def change(old: bytes) -> bytes:
            lines = old.split(b"\n")
            a, b = at % len(lines), to % len(lines)
            if what == 0:
                lines[a], lines[b] = lines[b], lines[a]
            elif what == 1:
                lines[a:a] = [lines[b]] * count
            elif what == 2:
                lines[a] = b" " * count + lines[a] + b"\t" * count
            elif what == 3:
                del lines[a : a + count]
            elif what == 4:
                return old.replace(b"\n", (b"\r", b"\r\n", b"\n\n", b" ", b"\0")[count % 5], at % 9)
            elif what == 5:
                return old.decode("latin-1").encode(("utf-16", "utf-16-le", "utf-16-be", "utf-8-sig")[count % 4])
            else:
                lines[a] = lines[a] * min(count, 8)
            return b"\n".join(lines)

        return change

    return st.builds(build, st.integers(0, 6), PLACE, PLACE, st.integers(0, 60))


def _fields(block: re.Pattern[bytes] | None) -> st.SearchStrategy[Change]:
    """A number near the head of some block is overwritten by one that is at an edge, or by a small step."""

    def build(mark: int, offset: int, size: int, number: int, big: bool) -> Change:
        def change(old: bytes) -> bytes:
            marks = [m.start() for m in block.finditer(old)] if block else list(range(0, len(old), PAGE))
            at = (marks[mark % len(marks)] if marks else 0) + offset
            held = old[at : at + size]
            if len(held) < size:
                return old
            order: Literal["big", "little"] = "big" if big else "little"
            value = int.from_bytes(held, order) + number if -4 <= number < 0 else number
            return old[:at] + (value % (1 << 8 * size)).to_bytes(size, order) + old[at + size :]

        return change

    return st.builds(
        build,
        PLACE,
        st.integers(0, 120),
        st.sampled_from([1, 2, 4, 8]),
        st.one_of(st.sampled_from(NUMBERS), st.integers(-4, 300)),
        st.booleans(),
    )
