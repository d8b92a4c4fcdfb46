"""Encoding is the inverse of extraction, and equals what cantools encodes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_logs.encode import encode
from herdbook.decoders import Network
from herdbook.decoders.dbc.messages import Message, Signal
from herdbook.decoders.decoding.extract import extract
from tests.decoders.networks import dbc_files
from tests.decoders.peers import cantools_messages


@settings(max_examples=80, deadline=None)
@given(dbc_files(), st.integers(0, 2**32 - 1))
def test_what_is_encoded_is_extracted_again(
    tmp_path_factory: pytest.TempPathFactory, file: tuple[str, int], seed: int
) -> None:
    path = tmp_path_factory.mktemp("dbc") / "made.dbc"
    path.write_text(file[0])
    (message,) = Network.load(path).messages
    payload = np.zeros((16, 8 if message.length <= 8 else 64), np.uint8)
    payload[:, : message.length] = np.random.default_rng(seed).integers(0, 256, (16, message.length))
    once = extract(message, payload)
    again = extract(message, encode({name: c.values for name, c in once.items()}, message))
    for name, column in once.items():
        valid, valid_again = (np.ones(16, np.bool_) if v is None else v for v in (column.valid, again[name].valid))
        assert valid.tolist() == valid_again.tolist()
        a, b = column.values[valid], again[name].values[valid]
        exact = message.signal(name).kind != "float" or message.signal(name).scale == 1
        if exact and not message.signal(name).is_float:
            assert a.tolist() == b.tolist(), name
        else:
            assert np.allclose(a, b, rtol=1e-3 if message.signal(name).length == 16 else 1e-6, equal_nan=True), name


def test_the_bytes_are_those_cantools_encodes(tmp_path: Path) -> None:
    text = (
        'VERSION ""\nNS_ :\nBS_:\nBU_: X\nBO_ 5 M: 8 X\n SG_ A : 7|12@0- (0.1,5) [0|0] "" X\n'
        ' SG_ B : 16|9@1+ (2,-3) [0|0] "" X\n SG_ C : 32|32@1- (1,0) [0|0] "" X\nSIG_VALTYPE_ 5 C : 1;\n'
    )
    path = tmp_path / "made.dbc"
    path.write_text(text)
    values: dict[str, list[float]] = {"A": [-100.0, 5.0, 209.7], "B": [-3, 101, 1019], "C": [0.0, -1.5, 1e20]}
    found = encode(values, Network.load(path).messages[0])
    (theirs,) = cantools_messages(text)
    for i in range(3):
        assert found[i].tobytes() == theirs.encode({k: v[i] for k, v in values.items()}, strict=False)


def test_values_are_held_within_the_bits() -> None:
    signals = (Signal("U", 0, 8), Signal("S", 8, 8, signed=True), Signal("T", 16, 8, scale=0.5))
    message = Message("M", 1, False, 8, signals)
    found = extract(message, encode({"U": [-5, 300], "S": [-500, 500], "T": [np.nan, 1e9]}, message))
    assert [c.values.tolist() for c in found.values()] == [[0, 255], [-128, 127], [0.0, 127.5]]


def test_unknown_names_and_odd_lengths_are_refused() -> None:
    message = Message("M", 1, False, 8, (Signal("A", 0, 8), Signal("B", 8, 8)))
    with pytest.raises(KeyError, match="message M has no signal C"):
        encode({"C": [1]}, message)
    with pytest.raises(ValueError, match="different lengths"):
        encode({"A": [1, 2], "B": [1, 2, 3]}, message)
    assert encode({"A": 7, "B": [1, 2]}, message)[:, :2].tolist() == [[7, 1], [7, 2]]
