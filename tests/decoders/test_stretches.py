"""A log read in stretches, each by itself, says what one reading says: frames, losses, counts, to the last of them."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from demo_logs.encode import seal
from herdbook.decoders import Frames, Network, open_log
from herdbook.decoders.decoding.group import grouped
from herdbook.decoders.frames import join_frames, part
from herdbook.decoders.integrity.checks import IntegrityCheck
from herdbook.decoders.integrity.spacings import Spacings
from herdbook.decoders.log import LogStretch
from herdbook.decoders.reading import stretches as cutting
from herdbook.decoders.reading.reader import Account
from herdbook.decoders.reading.source import BLOCK_BYTES, MAX_LINE
from tests.decoders.test_integrity import DBC

START = 1_700_000_000
LINES = 60_000  # five blocks and more


def lines(kind: str) -> bytes:
    out = []
    for i in range(LINES):
        channel = b"can0" if i < LINES // 3 else (b"can1", b"can0", b"vcan12")[i % 3]
        out.append(b"(%d.%06d) %s %03X#%016X\n" % (START + i // 1000, i % 1000 * 1000, channel, i % 0x7FF, i * 7919))
    if kind == "mixed":
        for i in range(0, LINES, 9000):
            out[i] = b"(%d.000001) can2 18FEEE00#0102\n" % START
            out[i + 1] = b"(%d.000002) can7 123##5AABB\n" % START
            out[i + 2] = b"(%d.000003) can0 123#R4\n" % START
            out[i + 3] = b"this is no frame\n"
        out.append(b"(%d.000004) can0 100#0304" % (START + 100))  # may be half a frame
    if kind == "same identifier last":
        out.append(b"(%d.000004) can0 %03X#0102030405060708" % (START + 100, (LINES - 1) % 0x7FF))
    if kind == "two ends a line":
        out = [line.replace(b"\n", b"\r\n") for line in out]
    if kind == "garbage across a cut":
        out[20_000] = b"\xff" * (BLOCK_BYTES // 2) + b"\n"
    return b"".join(out)


@pytest.mark.parametrize("kind", ["alike", "mixed", "same identifier last", "two ends a line"])
@pytest.mark.parametrize("blocks", [1, 2])
def test_stretches_give_the_frames_and_losses_of_the_whole(kind: str, blocks: int, tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(lines(kind))
    whole = open_log(path)
    frames = join_frames(list(whole.chunks()))
    cut = cutting.stretches(path, blocks * BLOCK_BYTES)
    assert len(cut) > 1
    parts, account = [], Account()
    printed = cutting.printed(path, cut)
    for stretch, sums in zip(cut, printed.sums, strict=True):
        read = LogStretch(path, whole.format, stretch)
        parts += list(read.chunks())
        account.take(read.losses)
        assert read.sums == sums
    joined = join_frames(parts)
    for name in ("t", "channel", "can_id", "flags", "length", "payload"):
        assert np.array_equal(getattr(frames, name), getattr(joined, name)), name
    assert joined.channels == frames.channels
    assert account.losses == whole.losses
    assert printed.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_changed_byte_changes_a_sum(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(lines("alike"))
    cut = cutting.stretches(path, BLOCK_BYTES)
    before = cutting.printed(path, cut)
    with path.open("r+b") as file:
        file.seek(cut[1].fresh + 20)
        file.write(b"9")
    after = cutting.printed(path, cut)
    assert [a == b for a, b in zip(before.sums, after.sums, strict=True)][:3] == [True, False, True]


def test_no_cut_where_a_line_is_too_long_to_find_its_end(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_bytes(lines("garbage across a cut"))
    text = path.read_bytes()
    for stretch in cutting.stretches(path, BLOCK_BYTES)[1:]:
        assert stretch.fresh - stretch.start <= MAX_LINE
        assert text[stretch.start - 1 : stretch.start] == b"\n"


def test_what_is_not_plain_is_not_cut(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    for mark in (b"\xef\xbb\xbf", "\ufeff".encode("utf-16")):
        text = lines("alike") if len(mark) == 3 else lines("alike").decode().encode("utf-16-le")
        path.write_bytes(mark + text)
        assert open_log(path).stretches(BLOCK_BYTES) == []


@pytest.fixture
def network(tmp_path: Path) -> Network:
    (tmp_path / "made.dbc").write_text(DBC)
    return Network.load(tmp_path / "made.dbc")


def traffic(network: Network, seed: int, n: int = 400) -> Frames:
    """Two channels; silences, a clock that goes back, frames lost, repeated, cut short and damaged."""
    rng = np.random.default_rng(seed)
    step = rng.choice(
        [0, 700, 5_000, 10_000, 10_200, 60_000, 1_500_000, -4_000_000], n, p=[0.1, 0.2, *[0.2] * 3, 0.06, 0.03, 0.01]
    )
    guarded = rng.random(n) < 0.7
    payload = np.zeros((n, 8), np.uint8)
    payload[guarded] = seal(network.by_name["Guarded"], np.zeros((int(guarded.sum()), 8), np.uint8))
    payload[rng.random(n) < 0.03, 5] ^= 4
    keep = rng.random(n) > 0.05
    frames = Frames(
        t=1_000_000_000 + np.cumsum(step).astype(np.int64),
        channel=(rng.random(n) < 0.3).astype(np.uint8),
        can_id=np.where(guarded, 100, np.where(rng.random(n) < 0.9, 200, 300)).astype(np.uint32),
        flags=np.zeros(n, np.uint8),
        length=np.where(rng.random(n) < 0.05, 1, 8).astype(np.uint8),
        payload=payload,
        channels=("can0", "can1"),
    )
    return part(frames, keep)


@pytest.mark.parametrize("seed", range(12))
def test_checks_of_stretches_count_as_one(network: Network, seed: int) -> None:
    frames, rng = traffic(network, seed), np.random.default_rng(seed)
    one = IntegrityCheck(network)
    one.add_grouped(grouped(frames, network))
    for cuts in (1, 3, 30):
        ends = np.sort(rng.choice(np.arange(1, len(frames)), cuts, replace=False))
        several = IntegrityCheck(network)
        for first, end in zip([0, *ends], [*ends, len(frames)], strict=True):
            own = IntegrityCheck(network)
            own.add_grouped(grouped(part(frames, slice(first, end)), network))
            several.follow(own.watched())
        assert several.report() == one.report()
        assert several.traffic() == one.traffic()
    assert one.report()[0].counter_gaps  # there was something to count
    assert one.report()[0].checksum_failures


@pytest.mark.parametrize("most", [10, 10_000])
def test_spacings_are_those_of_numpy(most: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("herdbook.decoders.integrity.spacings.MOST", most)
    rng = np.random.default_rng(1)
    all_of_them = rng.integers(0, 500, 3001)
    pieces = np.array_split(all_of_them, 40)
    first, second = Spacings(), Spacings()
    for i, piece in enumerate(pieces):
        (first if i % 2 else second).add(piece)
    first.join(second)
    expected = [float(np.quantile(all_of_them, q)) for q in (0.0, 0.5, 0.731, 0.99, 1.0)]
    assert first.quantile(0.0, 0.5, 0.731, 0.99, 1.0) == expected
    assert Spacings().quantile(0.5) == [None]
