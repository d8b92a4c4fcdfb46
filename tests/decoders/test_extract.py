"""Extraction equals cantools, which decodes frame by frame with bitstruct and shares no code with us."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from herdbook.decoders import Network
from herdbook.decoders.dbc.messages import Message, Signal
from herdbook.decoders.decoding.extract import Words, extract, linear, raw_bits, scaled
from tests.decoders.networks import bits_of, dbc_files
from tests.decoders.peers import cantools_messages, differences


@settings(max_examples=150, deadline=None)
@given(dbc_files(), st.data())
def test_any_network_and_payload_decodes_as_cantools_does(
    tmp_path_factory: pytest.TempPathFactory, file: tuple[str, int], data: st.DataObject
) -> None:
    text, length = file
    path = tmp_path_factory.mktemp("dbc") / "made.dbc"
    path.write_text(text)
    (message,) = cantools_messages(text)
    payloads = data.draw(st.lists(st.binary(max_size=length), min_size=1, max_size=8))
    payloads += [bytes(length), b"\xff" * length, bytes([1, 1]).ljust(length, b"\x5a")[:length]]
    assert differences(message, Network.load(path), payloads) == []


@pytest.mark.parametrize("length", range(1, 65))
@pytest.mark.parametrize("order", [0, 1], ids=["big", "little"])
def test_every_width_at_every_place_of_a_frame(tmp_path: Path, order: int, length: int) -> None:
    rng = np.random.default_rng(length)
    payloads = [rng.bytes(8) for _ in range(6)]
    starts = [s for s in range(64) if max(bits_of(s, length, order == 0)) < 64]
    text = 'VERSION ""\nNS_ :\nBS_:\nBU_: X\n' + "".join(
        f'BO_ {start} M{start}: 8 X\n SG_ S : {start}|{length}@{order}- (1,0) [0|0] "" X\n\n' for start in starts
    )
    path = tmp_path / "made.dbc"
    path.write_text(text)
    network = Network.load(path)
    for message in cantools_messages(text):
        assert differences(message, network, payloads) == []


LENGTHS = (1, 2, 7, 8, 9, 15, 16, 17, 31, 32, 33, *range(47, 50), *range(55, 65))


@pytest.mark.parametrize("width", [8, 25, 64], ids=["classic", "record of a measurement file", "CAN FD"])
@pytest.mark.parametrize("big_endian", [False, True], ids=["little", "big"])
def test_raw_bits_of_every_place(width: int, big_endian: bool) -> None:
    """Against whole numbers of Python's own, cut out of the frame as one number; also where nine bytes are touched."""
    rows = [np.random.default_rng(width).bytes(width), b"\xff" * width, b"\x80" + bytes(width - 1)]
    payload = np.frombuffer(b"".join(rows), np.uint8).reshape(3, width)
    numbers = [int.from_bytes(row, "big" if big_endian else "little") for row in rows]
    words = Words(payload)
    for start in range(8 * width):
        first = start - start % 8 + 7 - start % 8 if big_endian else start
        for length in LENGTHS:
            if first + length > 8 * width:
                break
            right = 8 * width - first - length if big_endian else start
            plain = [number >> right & (1 << length) - 1 for number in numbers]
            signal = Signal("S", start, length, big_endian=big_endian)
            assert raw_bits(words, signal).tolist() == plain, signal
            signed = Signal("S", start, length, big_endian=big_endian, signed=True)
            expected = [raw - (1 << length) if raw >> (length - 1) else raw for raw in plain]
            assert raw_bits(words, signed).view(np.int64).tolist() == expected, signed


def test_signals_touch_no_more_of_a_frame_than_it_holds() -> None:
    """A message longer than any frame: a signal that ends with the frame is read, one behind it is absent."""
    signals = (Signal("Last", 56, 8), Signal("Behind", 57, 8), Signal("Far", 1000, 8))
    columns = extract(Message("M", 1, False, 200, signals), np.full((2, 8), 7, np.uint8))
    assert columns["Last"].values.tolist() == [7, 7]
    assert columns["Last"].valid is None
    for name in ("Behind", "Far"):
        assert columns[name].valid is not None
        assert columns[name].valid.tolist() == [False, False]  # type: ignore[union-attr]


def test_a_column_without_gaps_carries_no_marks() -> None:
    message = Message("M", 1, False, 2, (Signal("A", 0, 8), Signal("B", 8, 8)))
    payload = np.full((2, 8), 3, np.uint8)
    for length in (None, np.array([2, 2], np.uint8), np.array([2, 3], np.uint8)):
        assert all(c.valid is None for c in extract(message, payload, length).values())
    short = extract(message, payload, np.array([2, 1], np.uint8))
    assert [c.valid.tolist() for c in short.values() if c.valid is not None] == [[True, True], [True, False]]


def test_no_frames_at_all() -> None:
    message = Message("M", 1, False, 8, (Signal("A", 0, 8),))
    columns = extract(message, np.zeros((0, 8), np.uint8), np.zeros(0, np.uint8))
    assert columns["A"].values.tolist() == []


def test_counts_are_left_as_they_are_where_that_loses_nothing() -> None:
    signals = (
        Signal("Volts", 0, 16, scale=0.001, offset=1.0),
        Signal("Amps", 16, 16, scale=0.5, signed=True),
        Signal("Wide", 0, 64, scale=0.25),
        Signal("Page", 32, 8, scale=0.5, selector=True),  # others depend on its value
        Signal("Whole", 40, 8, scale=2),
        Signal("Real", 0, 32, is_float=True),
    )
    message = Message("M", 1, False, 8, signals)
    payload = np.frombuffer(bytes.fromhex("e803feff03090080"), np.uint8).reshape(1, 8)
    counted = {k: (c.values[0].item(), c.values.dtype.str) for k, c in extract(message, payload, counts=True).items()}
    wide = int.from_bytes(payload.tobytes(), "little")
    assert counted["Volts"] == (1000, "<i8")
    assert counted["Amps"] == (-2, "<i8")
    assert counted["Wide"] == (wide, "<u8")
    assert counted["Page"] == (1.5, "<f8")
    assert counted["Whole"] == (18, "<i8")
    assert counted["Real"][1] == "<f8"
    valued = {k: c.values[0].item() for k, c in extract(message, payload).items()}
    assert (valued["Volts"], valued["Amps"], valued["Wide"]) == (2.0, -1.0, wide * 0.25)


@pytest.mark.parametrize("scale", [1, 2, 3, 0, -1, 0.5, -0.5, 1e-200, 1e-100, 1e-300])
@pytest.mark.parametrize("offset", [0, 1, -1, 0.25])
@pytest.mark.parametrize("counts", [[0, 1, -1, 7, -1234567], [0.0, -0.0, 1.5, -5e-324, -1e-300, 1e300]], ids=["i", "f"])
def test_products_and_sums_are_pythons_to_the_last_bit(counts: list[float], scale: float, offset: float) -> None:
    """-0.0 + 0 is 0.0 in Python; a factor of 1 without an offset is no step at all."""
    found = linear(np.array(counts), scale, offset).tolist()
    identity = scale == 1 and offset == 0
    expected = [float(c) if identity else c * float(scale) + float(offset) for c in counts]
    assert [v.hex() for v in found] == [v.hex() for v in expected]


@pytest.mark.parametrize("scale", ["1", "2", "0.5", "1e-100", "-1"])
def test_negative_zeros_of_float_signals_are_those_of_cantools(tmp_path: Path, scale: str) -> None:
    text = (
        'VERSION ""\nNS_ :\nBS_:\nBU_: X\nBO_ 5 M: 8 X\n'
        f' SG_ S : 0|64@1- ({scale},0) [0|0] "" X\nSIG_VALTYPE_ 5 S : 2;\n'
    )
    path = tmp_path / "made.dbc"
    path.write_text(text)
    (message,) = cantools_messages(text)
    payloads = [np.array([v]).tobytes() for v in (-0.0, 0.0, -5e-324, -1e-300, 1.0)]
    assert differences(message, Network.load(path), payloads) == []


def one(**about: object) -> Signal:
    return Signal("S", 0, **about)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("signal", "kind"),
    [
        (one(length=63), "int"),
        (one(length=64), "uint"),
        (one(length=64, signed=True), "int"),
        (one(length=64, offset=-(2**63)), "int"),
        (one(length=64, scale=2), "float"),
        (one(length=8, scale=0.5), "float"),
        (one(length=8, scale=2.0, offset=-3), "int"),
        (one(length=32, is_float=True), "float"),
        (one(length=64, offset=-1), "float"),
        (one(length=60, scale=-8), "int"),
    ],
)
def test_whole_numbers_stay_whole_as_long_as_64_bits_hold_them(signal: Signal, kind: str) -> None:
    assert signal.kind == kind


def test_a_count_past_2_to_53_stays_an_integer() -> None:
    raw = np.array([2**53 + 1, 2**64 - 1], np.uint64)
    assert scaled(one(length=64), raw).tolist() == [2**53 + 1, 2**64 - 1]


@settings(deadline=None)
@given(
    st.lists(st.integers(0, 2**64 - 1), min_size=1, max_size=20),
    st.sampled_from([10, 1000, -7, 3]),
    st.sampled_from([0, 0.5, -1, 100.1]),
)
@example([2**53 + 1, 2**60 + 12345, 2**64 - 1], 10, 0)
@example([2**53 + 1, 2**60 + 12345, 2**64 - 1], -7, 0.5)
def test_large_products_are_rounded_once_as_python_rounds_them(raws: list[int], scale: int, offset: float) -> None:
    found = scaled(one(length=64, scale=scale, offset=offset), np.array(raws, np.uint64))
    assert found.tolist() == [float(raw * scale + offset) for raw in raws]


def test_selectors_that_select_each_other_give_nulls_and_an_end() -> None:
    a = Signal("A", 0, 8, selector=True, parent="B", when=frozenset({1}))
    b = Signal("B", 8, 8, selector=True, parent="A", when=frozenset({1}))
    columns = extract(Message("M", 1, False, 8, (a, b)), np.ones((3, 8), np.uint8))
    assert all(c.valid is not None and not c.valid.any() for c in columns.values())
