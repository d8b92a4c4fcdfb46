"""Bus load. Frame lengths are those of ISO 11898-1 with the usual worst case for stuff bits; loads are counted by hand,
and a plain loop over frames is the reference for any traffic."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.decoders import Frames, Network
from herdbook.decoders.frames import BRS, ERROR, EXTENDED, FD, REMOTE, TX
from herdbook.decoders.integrity.busload import BusWatch, Load, frame_bits, load_of, second_bits
from herdbook.decoders.integrity.checks import IntegrityCheck

DBC = 'VERSION ""\nNS_ :\nBS_:\nBU_: X\nBO_ 5 M: 8 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X\n'
RATES = (
    'BA_DEF_ "Baudrate" INT 0 1000000;\nBA_DEF_ "BaudrateCANFD" INT 0 16000000;\n'
    'BA_DEF_DEF_ "Baudrate" 500000;\nBA_DEF_DEF_ "BaudrateCANFD" 0;\n'
)


def test_classic_frame_lengths() -> None:
    """11 bits, 8 bytes: 111 bits plain, 135 with every possible stuff bit; 29 bits: 131 and 160."""
    flags, length = np.array([0, EXTENDED], np.uint8), np.array([8, 8], np.uint8)
    assert frame_bits(flags, length, stuffed=False)[0].tolist() == [111, 131]
    assert frame_bits(flags, length, stuffed=True)[0].tolist() == [135, 160]


def test_fd_data_phase_runs_at_its_own_rate() -> None:
    flags, length = np.array([FD, FD | BRS], np.uint8), np.array([64, 64], np.uint8)
    slow, fast = frame_bits(flags, length, stuffed=False)
    assert fast[0] == 0
    assert fast[1] > 512
    assert slow[1] < 40


KINDS = (0, EXTENDED, TX, FD, FD | BRS | EXTENDED, REMOTE, ERROR)
frames = st.lists(st.tuples(st.integers(0, 3_000_000), st.sampled_from(KINDS), st.integers(0, 8)), min_size=1)


@settings(deadline=None)
@given(frames, st.booleans(), st.booleans())
def test_seconds_add_up_as_frame_by_frame(rows: list[tuple[int, int, int]], ordered: bool, plain: bool) -> None:
    """The quick way for classic frames in order of time, and the general one."""
    rows = sorted(rows) if ordered else rows
    rows = [(t, f & (EXTENDED | TX), n) for t, f, n in rows] if plain else rows
    t, flags, length = (
        np.array(c, k) for c, k in zip(zip(*rows, strict=True), (np.int64, np.uint8, np.uint8), strict=True)
    )
    seconds, bits = second_bits(t, flags, length)
    expected: Counter[tuple[int, int]] = Counter()
    for when, flag, n in rows:
        for high in (False, True):
            slow, fast = frame_bits(np.array([flag], np.uint8), np.array([n], np.uint8), high)
            expected[when // 1_000_000, high] += int(slow[0])
            expected[when // 1_000_000, 2 + high] += int(fast[0])
    found: Counter[tuple[int, int]] = Counter()
    for second, some in zip(seconds.tolist(), bits.tolist(), strict=True):
        for place, n in enumerate(some):
            found[second, place] += n
    assert +found == +expected


def made(t: np.ndarray[tuple[int], np.dtype[np.int64]], channel: str = "can0") -> Frames:
    n = len(t)
    return Frames(
        t=t,
        channel=np.zeros(n, np.uint8),
        can_id=np.full(n, 5, np.uint32),
        flags=np.zeros(n, np.uint8),
        length=np.full(n, 8, np.uint8),
        payload=np.zeros((n, 8), np.uint8),
        channels=(channel,),
    )


@pytest.mark.parametrize("pieces", [1, 3, 50])
def test_load_of_one_frame_each_ten_milliseconds(tmp_path: Path, pieces: int) -> None:
    """At 250 kbit/s 100 frames a second of 111 to 135 bits are 4.44 to 5.4 per cent. The bus sleeps an hour, then one
    second has twice the frames: 8.88 to 10.8 per cent there, and the hour counts for nothing in the mean."""
    (tmp_path / "made.dbc").write_text(DBC)
    check = IntegrityCheck(Network.load(tmp_path / "made.dbc"))
    late = 3_605_000_000
    t = np.concatenate([np.arange(0, 5_000_000, 10_000), late + np.arange(0, 1_000_000, 5_000)])
    for part in np.array_split(t, pieces):
        check.add(made(part))
    (traffic,) = check.traffic()
    awake = 4_990_000 + 995_000
    assert (traffic.channel, traffic.frames, traffic.awake_us, traffic.peak_t) == ("can0", 700, awake, late)
    load = load_of(traffic, 250_000)
    assert load.mean_low == pytest.approx(700 * 111 / 250_000 / (awake / 1e6))
    assert load.peak_low == pytest.approx(0.0888)
    assert load.peak_high == pytest.approx(0.108)


def test_a_single_frame_has_no_mean() -> None:
    watch = BusWatch("can0")
    watch.add(np.array([7], np.int64), 0, np.zeros(1, np.uint8), np.full(1, 8, np.uint8))
    assert load_of(watch.traffic(), 100_000) == Load(None, None, 0.00111, 0.00135)


def test_the_data_phase_counts_at_its_own_rate() -> None:
    watch = BusWatch("can0")
    watch.add(np.array([0, 1], np.int64), 1, np.full(2, FD | BRS, np.uint8), np.full(2, 64, np.uint8))
    slow, fast = frame_bits(np.array([FD | BRS], np.uint8), np.array([64], np.uint8), stuffed=False)
    load = load_of(watch.traffic(), 500_000, 2_000_000)
    assert load.peak_low == pytest.approx(2 * (int(slow[0]) / 5e5 + int(fast[0]) / 2e6))


@pytest.mark.parametrize(
    ("more", "rates"),
    [
        ("", (None, None)),
        (RATES, (500_000, None)),
        (RATES + 'BA_ "BaudrateCANFD" 2000000;\n', (500_000, 2_000_000)),
        (RATES + 'BA_ "Baudrate" 125000;\n', (125_000, None)),
        (RATES + 'BA_ "Baudrate" 0;\n', (None, None)),
    ],
)
def test_bit_rates_that_a_file_tells(tmp_path: Path, more: str, rates: tuple[int | None, int | None]) -> None:
    (tmp_path / "made.dbc").write_text(DBC + more)
    network = Network.load([("can0|1", tmp_path / "made.dbc")])
    assert network.rates_of("CAN0") == rates
    assert network.rates_of("can1") == (None, None)


def test_files_that_contradict_each_other_tell_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.dbc").write_text(DBC + RATES)
    (tmp_path / "b.dbc").write_text(DBC.replace("BO_ 5 M", "BO_ 6 N") + RATES + 'BA_ "Baudrate" 125000;\n')
    assert Network.load([tmp_path / "a.dbc", tmp_path / "b.dbc"]).rates_of("can0") == (None, None)
