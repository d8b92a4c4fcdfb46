"""Broken logs: never a crash, a hang or a silent loss; what is sound is kept, what is not is counted with its place."""

from __future__ import annotations

import gzip
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from herdbook.decoders import DecoderError, Loss, UnknownLogError, open_log
from herdbook.decoders.reading.reader import MAX_LOSSES
from tests.decoders.messages import write
from tests.decoders.peers import Seen, can, frames_in, ours

TEXT = ("log", "asc", "trc", "csv")
KINDS = ("log", "asc", "blf", "trc", "csv", "db", "mf4", "log.gz", "blf.gz")
OTHERS = ("db", "mf4", "asc.gz", "trc.gz", "csv.gz", "db.gz", "mf4.gz")


def messages(n: int) -> list[Any]:
    return [
        can.Message(
            timestamp=1.7e9 + i / 1000,
            arbitration_id=0x100 + i % 40,
            data=bytes(range(1, 9)),
            is_extended_id=False,
            channel=0,
        )
        for i in range(n)
    ]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    folder = tmp_path_factory.mktemp("whole")

    def make(kind: str) -> Path:
        path = folder / f"whole.{kind}"
        if not path.exists():
            plain = folder / f"whole.{kind.removesuffix('.gz')}"
            if not plain.exists():  # the writer of .db adds to what is there
                write(plain, messages(6))
            if kind.endswith(".gz"):
                path.write_bytes(gzip.compress(plain.read_bytes()))
        return path

    return make


def attempt(path: Path) -> tuple[list[Seen], list[Loss], str]:
    """Frames, losses and refusal of one file; any error but ours is a failure."""
    try:
        log = open_log(path)
        frames = frames_in(log)
        return frames, log.losses, ""
    except DecoderError as e:
        return [], [], str(e)


@pytest.mark.parametrize("kind", KINDS)
def test_cut_at_every_byte(tmp_path: Path, whole: Callable[[str], Path], kind: str) -> None:
    """Formats whose files are large at every 97th byte; at every one in the next test."""
    _cut(tmp_path, whole, kind, 97 if kind in OTHERS else 1)


@pytest.mark.slow
@pytest.mark.parametrize("kind", OTHERS)
def test_cut_at_every_byte_of_all_others(tmp_path: Path, whole: Callable[[str], Path], kind: str) -> None:
    _cut(tmp_path, whole, kind, 1)


def _cut(tmp_path: Path, whole: Callable[[str], Path], kind: str, step: int) -> None:
    """A cut file gives a beginning of the frames; where some are missing, it says so, or was cut between two lines."""
    content = whole(kind).read_bytes()
    expected = ours(whole(kind))
    for n in range(0, len(content), step):
        path = tmp_path / f"cut.{kind}"
        path.write_bytes(content[:n])
        frames, losses, refused = attempt(path)
        assert frames == expected[: len(frames)], n
        if len(frames) < len(expected) and not refused:
            assert losses or (kind in TEXT and _between_lines(content, n)), n
            assert all(loss.bytes > 0 for loss in losses), n


def _between_lines(content: bytes, n: int) -> bool:
    """Whether nothing but blanks and a line end is missing of the line that the cut is in, or no part of it is there,
    or it is no line of a frame. "R" behind a frame says that it was received, as does nothing."""
    begin = content.rfind(b"\n", 0, n) + 1
    end = content.find(b"\n", n)
    line = content[begin:end].strip()
    frame = line[:1].isdigit() or line.startswith(b"(")
    return not content[begin:n].strip() or content[n:end].strip() in (b"", b"R") or not frame


@pytest.mark.parametrize("kind", KINDS)
def test_flipped_bits(tmp_path: Path, whole: Callable[[str], Path], kind: str) -> None:
    """One to three flipped bits anywhere: an answer or a refusal, never anything else."""
    content = whole(kind).read_bytes()
    rng = random.Random(7)
    for _ in range(40 if kind in ("db", "mf4") else 300):
        damaged = bytearray(content)
        for _ in range(rng.randint(1, 3)):
            damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
        path = tmp_path / f"flip.{kind}"
        path.write_bytes(damaged)
        frames, _, _ = attempt(path)
        assert len(frames) <= 30


@pytest.mark.parametrize("kind", KINDS)
def test_garbage_behind_a_sound_beginning(tmp_path: Path, whole: Callable[[str], Path], kind: str) -> None:
    content = whole(kind).read_bytes()
    rng = random.Random(3)
    for n in (1, 100, 5000):
        path = tmp_path / f"tail.{kind}"
        path.write_bytes(content + rng.randbytes(n))
        frames, losses, refused = attempt(path)
        assert frames[:6] == ours(whole(kind)), n
        assert losses or refused or kind in ("db", "mf4") or (kind.endswith("gz") and n == 1)


@pytest.mark.parametrize("kind", ["log", "asc", "trc", "csv"])
def test_garbage_lines_are_counted_with_their_place(tmp_path: Path, whole: Callable[[str], Path], kind: str) -> None:
    lines = whole(kind).read_bytes().splitlines(keepends=True)
    at = sum(map(len, lines[:-3]))
    path = tmp_path / f"garbage.{kind}"
    path.write_bytes(b"".join(lines[:-3]) + b"what is this?\n" + b"".join(lines[-3:]))
    frames, losses, _ = attempt(path)
    assert frames == ours(whole(kind))
    assert [(loss.kind, loss.bytes) for loss in losses] == [("line", 14)]
    assert losses[0].offset == (at if kind == "csv" else pytest.approx(at, abs=8))


@pytest.mark.parametrize("kind", ["log", "asc", "trc", "csv"])
@pytest.mark.parametrize("end", [b"\r\n", b"\r", b"\n\n", b" \r\n"])
def test_line_ends_of_any_kind(tmp_path: Path, whole: Callable[[str], Path], kind: str, end: bytes) -> None:
    path = tmp_path / f"ends.{kind}"
    content = whole(kind).read_bytes()
    path.write_bytes(content.replace(b"\n", end, 9))
    assert ours(path) == ours(whole(kind))


@pytest.mark.parametrize("kind", ["log", "asc", "trc", "csv"])
@pytest.mark.parametrize("code", ["utf-16", "utf-16-le", "utf-16-be", "utf-8-sig"])
def test_other_encodings(tmp_path: Path, whole: Callable[[str], Path], kind: str, code: str) -> None:
    path = tmp_path / f"wide.{kind}"
    path.write_bytes(whole(kind).read_bytes().decode("ascii").encode(code))
    assert ours(path) == ours(whole(kind))


def test_a_very_long_line_is_dropped_and_counted(tmp_path: Path, whole: Callable[[str], Path]) -> None:
    content = whole("log").read_bytes()
    path = tmp_path / "long.log"
    path.write_bytes(content + b"x" * 5_000_000 + b"\n" + content)
    frames, losses, _ = attempt(path)
    assert frames == ours(whole("log")) * 2
    assert [(loss.kind, loss.offset, loss.bytes) for loss in losses] == [("limit", len(content), 5_000_001)]


def test_losses_stay_countable(tmp_path: Path, whole: Callable[[str], Path]) -> None:
    path = tmp_path / "much.log"
    line = whole("log").read_bytes().splitlines(keepends=True)[0]
    path.write_bytes((line + b"bad\n") * 3000)
    frames, losses, _ = attempt(path)
    assert len(frames) == 3000
    assert len(losses) == MAX_LOSSES
    assert sum(loss.bytes for loss in losses) == 3000 * 4


@pytest.mark.parametrize("content", [b"", b"\n\n\n", b"hello\nworld\n", bytes(1000), b"\x1f\x8b\x08", b"\x89PNG\r\n"])
def test_what_is_no_log_is_refused_with_a_reason(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "no.log"
    path.write_bytes(content)
    with pytest.raises(DecoderError, match=r"no\.log"):
        open_log(path)


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "absent.log", tmp_path):
        with pytest.raises(DecoderError):
            open_log(path)


def test_an_unknown_format_names_the_known_ones(tmp_path: Path) -> None:
    path = tmp_path / "no.log"
    path.write_bytes(b"hello\n")
    with pytest.raises(UnknownLogError, match=r"asc, blf, candump"):
        open_log(path)


STAMPED = b"(1700000000.000000) can0 100#0102\n"


@pytest.mark.parametrize(
    ("kind", "before", "last", "good"),
    [
        ("log", STAMPED, b"(1700000000.001000) can0 100#0304", True),  # as long as the identifier's frames before it
        ("log", STAMPED, b"(1700000000.001000) can0 100#03", False),
        ("log", STAMPED, b"(1700000000.001000) can0 101#0304", False),  # nobody knows
        ("log", STAMPED, b"(1700000000.001000) can0 101#0102030405060708", True),
        ("log", STAMPED, b"(1700000000.001000) can0 101#R4", True),
        ("log", STAMPED, b"(1700000000.001000) can0 101##1" + b"00" * 64, True),
        ("log", STAMPED, b"(1700000000.001000) can0 101##1" + b"00" * 48, False),
        ("asc", b"base hex  timestamps absolute\n   0.1 1  64 Rx   d 1 64\n", b"   0.2 1  64 Rx   d 2 64 00", True),
        ("asc", b"base hex  timestamps absolute\n   0.1 1  64 Rx   d 1 64\n", b"   0.2 1  64 Rx   d 2 64 0", False),
        ("asc", b"base dec  timestamps absolute\n   0.1 1  64 Rx   d 1 64\n", b"   0.2 1  64 Rx   d 2 64 10", False),
        ("asc", b"base hex  timestamps absolute\n   0.1 1  64 Rx   d 1 64\n", b"   0.2 1  ErrorFrame", True),
        ("asc", b"base hex  timestamps absolute\n   0.1 1  64 Rx   d 1 64\n", b"   0.2 1  64 Rx   r 8", True),
        ("asc", b"base hex  timestamps absolute\n   0.1 1  64 Rx   d 1 64\n", b"   0.2 C", False),
        (
            "trc",
            b";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n1 0.1 DT 1 0100 Rx - 1 00\n",
            b"2 0.2 DT 1 0100 Rx - 2 00 01",
            True,
        ),
        (
            "trc",
            b";$FILEVERSION=2.1\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n1 0.1 DT 1 0100 Rx - 1 00\n",
            b"2 0.2 DT 1 0100 Rx - 2 00 0",
            False,
        ),
        (
            "csv",
            b"timestamp,arbitration_id,extended,remote,error,dlc,data\n1.0,0x1,0,0,0,1,AQ==\n",
            b"2.0,0x1,0,0,0,1,AQ==",
            True,
        ),
        (
            "csv",
            b"timestamp,arbitration_id,extended,remote,error,dlc,data\n1.0,0x1,0,0,0,1,AQ==\n",
            b"2.0,0x1,0,0,0,1,AQ=",
            False,
        ),
    ],
)
def test_a_last_line_without_an_end(tmp_path: Path, kind: str, before: bytes, last: bytes, good: bool) -> None:
    """Kept without a word when nothing can be missing of it; else dropped, and its bytes counted where it begins."""
    path = tmp_path / f"made.{kind}"
    path.write_bytes(before + last)
    frames, losses, _ = attempt(path)
    assert len(frames) == 1 + good
    lost = [(loss.offset, loss.bytes - (loss.kind == "line")) for loss in losses]  # a line counts its end
    assert lost == ([] if good else [(len(before), len(last))])
