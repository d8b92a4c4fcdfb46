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
from tests.decoders.peers import Seen, can, frames_in, ours
from tests.decoders.trial import Trial, all_trials, trials

SMALL = 3000  # bytes; a larger file is cut at every 97th byte here, and at every one in the slow tests
KINDS = [pytest.param(t, packed, id=t.suffix + packed) for packed in ("", ".gz") for t in all_trials().values()]
Whole = Callable[..., Path]


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
def whole(tmp_path_factory: pytest.TempPathFactory) -> Whole:
    """A sound log of six frames, made once."""
    folder = tmp_path_factory.mktemp("whole")

    def make(trial: Trial, packed: str = "") -> Path:
        plain = folder / f"whole.{trial.suffix}"
        if not plain.exists():
            trial.write(plain, messages(6))
        if packed:
            path = folder / (plain.name + packed)
            path.write_bytes(gzip.compress(plain.read_bytes(), mtime=0))
            return path
        return plain

    return make


def attempt(path: Path) -> tuple[list[Seen], list[Loss], str]:
    """Frames, losses and refusal of one file; any error but ours is a failure."""
    try:
        log = open_log(path)
        frames = frames_in(log)
        return frames, log.losses, ""
    except DecoderError as e:
        return [], [], str(e)


@pytest.mark.parametrize(("trial", "packed"), KINDS)
def test_cut_at_every_byte(tmp_path: Path, whole: Whole, trial: Trial, packed: str) -> None:
    path = whole(trial, packed)
    _cut(tmp_path, path, trial, packed, 97 if path.stat().st_size > SMALL else 1)


@pytest.mark.slow
@pytest.mark.parametrize(("trial", "packed"), KINDS)
def test_large_files_cut_at_every_byte(tmp_path: Path, whole: Whole, trial: Trial, packed: str) -> None:
    path = whole(trial, packed)
    if path.stat().st_size > SMALL:
        _cut(tmp_path, path, trial, packed, 1)


def _cut(folder: Path, whole: Path, trial: Trial, packed: str, step: int) -> None:
    """A cut file gives a beginning of the frames; where some are missing, it says so, or was cut between two lines."""
    content, expected = whole.read_bytes(), ours(whole)
    assert len(expected) == 6
    path = folder / whole.name
    for n in range(0, len(content), step):
        path.write_bytes(content[:n])
        frames, losses, refused = attempt(path)
        assert frames == expected[: len(frames)], n
        if len(frames) < len(expected) and not refused:
            assert losses or (trial.shape == "text" and not packed and _between_lines(content, n, trial)), n
            assert all(loss.bytes > 0 for loss in losses), n


def _between_lines(content: bytes, n: int, trial: Trial) -> bool:
    """Whether nothing but blanks and a line end is missing of the line that the cut is in, or no part of it is there,
    or it is no line of a frame. "R" behind a frame says that it was received, as does nothing."""
    begin = content.rfind(b"\n", 0, n) + 1
    end = content.find(b"\n", n)
    frame = trial.frame_line.match(content[begin:end].strip())
    return not content[begin:n].strip() or content[n:end].strip() in (b"", b"R") or not frame


@pytest.mark.parametrize(("trial", "packed"), KINDS)
def test_flipped_bits(tmp_path: Path, whole: Whole, trial: Trial, packed: str) -> None:
    """One to three flipped bits anywhere: an answer or a refusal, never anything else."""
    content = whole(trial, packed).read_bytes()
    rng = random.Random(7)
    path = tmp_path / f"flip.{trial.suffix}{packed}"
    for _ in range(40 if len(content) > SMALL else 300):
        damaged = bytearray(content)
        for _ in range(rng.randint(1, 3)):
            damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
        path.write_bytes(damaged)
        frames, _, _ = attempt(path)
        assert len(frames) <= 30


@pytest.mark.parametrize(("trial", "packed"), KINDS)
def test_garbage_behind_a_sound_beginning(tmp_path: Path, whole: Whole, trial: Trial, packed: str) -> None:
    content = whole(trial, packed).read_bytes()
    rng = random.Random(3)
    path = tmp_path / f"tail.{trial.suffix}{packed}"
    for n in (1, 100, 5000):
        path.write_bytes(content + rng.randbytes(n))
        frames, losses, refused = attempt(path)
        assert frames[:6] == ours(whole(trial)), n
        assert losses or refused or trial.shape == "linked" or (packed and n == 1)


@pytest.mark.parametrize("trial", trials("text"))
def test_garbage_lines_are_counted_with_their_place(tmp_path: Path, whole: Whole, trial: Trial) -> None:
    lines = whole(trial).read_bytes().splitlines(keepends=True)
    path = tmp_path / f"garbage.{trial.suffix}"
    path.write_bytes(b"".join(lines[:-3]) + b"what is this?\n" + b"".join(lines[-3:]))
    frames, losses, _ = attempt(path)
    assert frames == ours(whole(trial))
    assert [(loss.kind, loss.offset, loss.bytes) for loss in losses] == [("line", sum(map(len, lines[:-3])), 14)]


@pytest.mark.parametrize("trial", trials("text"))
@pytest.mark.parametrize("end", [b"\r\n", b"\r", b"\n\n", b" \r\n"])
def test_line_ends_of_any_kind(tmp_path: Path, whole: Whole, trial: Trial, end: bytes) -> None:
    path = tmp_path / f"ends.{trial.suffix}"
    path.write_bytes(whole(trial).read_bytes().replace(b"\n", end, 9))
    assert ours(path) == ours(whole(trial))


@pytest.mark.parametrize("trial", trials("text"))
@pytest.mark.parametrize("code", ["utf-16", "utf-16-le", "utf-16-be", "utf-8-sig"])
def test_other_encodings(tmp_path: Path, whole: Whole, trial: Trial, code: str) -> None:
    path = tmp_path / f"wide.{trial.suffix}"
    path.write_bytes(whole(trial).read_bytes().decode("ascii").encode(code))
    assert ours(path) == ours(whole(trial))


LAST = [(t, *line) for t in all_trials().values() for line in t.last_lines]


@pytest.mark.parametrize(("trial", "before", "last", "good"), LAST, ids=lambda v: getattr(v, "suffix", None))
def test_a_last_line_without_an_end(tmp_path: Path, trial: Trial, before: bytes, last: bytes, good: bool) -> None:
    """Kept without a word when nothing can be missing of it; else dropped, and its bytes counted where it begins."""
    path = tmp_path / f"made.{trial.suffix}"
    path.write_bytes(before + last)
    frames, losses, _ = attempt(path)
    assert len(frames) == 1 + good
    lost = [(loss.offset, loss.bytes - (loss.kind == "line")) for loss in losses]  # a line counts its end
    assert lost == ([] if good else [(len(before), len(last))])


LOG = all_trials()["candump"]


def test_a_very_long_line_is_dropped_and_counted(tmp_path: Path, whole: Whole) -> None:
    content = whole(LOG).read_bytes()
    path = tmp_path / "long.log"
    path.write_bytes(content + b"x" * 5_000_000 + b"\n" + content)
    frames, losses, _ = attempt(path)
    assert frames == ours(whole(LOG)) * 2
    assert [(loss.kind, loss.offset, loss.bytes) for loss in losses] == [("limit", len(content), 5_000_001)]


def test_losses_stay_countable(tmp_path: Path, whole: Whole) -> None:
    path = tmp_path / "much.log"
    line = whole(LOG).read_bytes().splitlines(keepends=True)[0]
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
