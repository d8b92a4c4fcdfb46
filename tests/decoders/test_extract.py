"""Extraction equals cantools, which decodes frame by frame with bitstruct and shares no code with us."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.decoders import Network
from herdbook.decoders.dbc.messages import Message, Signal
from herdbook.decoders.decoding.extract import extract, scaled
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
def test_large_products_are_rounded_once_as_python_rounds_them(raws: list[int], scale: int, offset: float) -> None:
    found = scaled(one(length=64, scale=scale, offset=offset), np.array(raws, np.uint64))
    assert found.tolist() == [float(raw * scale + offset) for raw in raws]


def test_selectors_that_select_each_other_give_nulls_and_an_end() -> None:
    a = Signal("A", 0, 8, selector=True, parent="B", when=frozenset({1}))
    b = Signal("B", 8, 8, selector=True, parent="A", when=frozenset({1}))
    columns = extract(Message("M", 1, False, 8, (a, b)), np.ones((3, 8), np.uint8))
    assert all(c.valid is not None and not c.valid.any() for c in columns.values())
