"""A part gives back what the decoder gave, bit for bit: through its own reader, through SQL, and after a merge.

The decoder itself is held to cantools and canmatrix elsewhere (tests/decoders, tests/external).
"""

from __future__ import annotations

import struct
import tempfile
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import herdbook.pipeline.lake.part as part_module
from herdbook.decoders import Decoder, Frames, Network
from herdbook.decoders.decoding.columns import as_series
from herdbook.pipeline.errors import DamagedPartError
from herdbook.pipeline.lake.layout import CHECKSUM_OK, expression, layout_of
from herdbook.pipeline.lake.part import Chunk, Part
from herdbook.pipeline.lake.part_writer import PartWriter
from herdbook.pipeline.night.again import redecode
from tests.decoders.networks import dbc_files
from tests.toy.bench import RESULTS, Bench, answers
from tests.toy.logs import day, write

LOG = "a" * 64
EVER = (-(2**62), 2**62)


def bits(column: pl.Series) -> list[object]:
    """Values so that two NaN of the same bits are equal and two zeros of different sign are not."""
    if column.dtype == pl.Float64:
        return [None if v is None else struct.pack("<d", v) for v in column]
    return column.to_list()


@settings(max_examples=60, deadline=None)
@given(dbc_files(), st.data())
def test_any_network_comes_back_as_decoded(made: tuple[str, int], data: st.DataObject) -> None:
    text, length = made
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "x.dbc").write_text(text)
        network = Network.load(folder / "x.dbc")
        (message,) = network.messages
        payloads = data.draw(st.lists(st.binary(min_size=length, max_size=length), min_size=1, max_size=12))
        cut = data.draw(st.integers(0, length))  # one short frame: signals past its end are absent
        frames = frames_of(message.can_id, message.extended, [*payloads, payloads[0][:cut]])
        decoder = Decoder(network)
        decoder.add(frames)
        plain = decoder.tables()[message.name]
        decoder.add(frames)
        kept = decoder.arrays(counts=True)[message.name]
        layout = layout_of(network)
        with PartWriter(folder / "p.parquet", layout, folder) as writer:
            writer.add(Chunk(LOG, message.name, kept))
            writer.close({})
        part = Part.open(folder / "p.parquet")
        names = plain.columns[1:]
        (piece,) = part.rows({message.name: names}, LOG, *EVER)
        assert piece.t.tolist() == plain["t"].dt.epoch("us").to_list()
        for signal in names:
            read = as_series(signal, piece.columns[signal])
            assert read.dtype == plain[signal].dtype, signal
            assert bits(read) == bits(plain[signal]), signal
        (block,) = part.blocks
        again = part.chunk(block).table.frame()
        assert again.equals(kept.frame().select(again.columns), null_equal=True)
        slots = [s for s in layout.messages[message.name] if s.signal != CHECKSUM_OK]
        said = "r.t" + "".join(f', {expression(s, "r")} AS "{s.signal}"' for s in slots)
        found = duckdb.connect().sql(f"SELECT {said} FROM read_parquet('{folder / 'p.parquet'}') r").pl()
        for signal in names:
            assert bits(found[signal]) == bits(plain[signal]), signal


def test_bus_and_sender_come_back_too(tmp_path: Path) -> None:
    """Merging parts reads blocks and writes them again: on which bus a row came, and from whom, must last."""
    text = 'VERSION ""\nNS_ :\nBS_:\nBU_: X\nBO_ 2565866750 MSG: 8 X\n SG_ S0 : 0|16@1- (0.5,0) [0|0] "" X\n'
    text += 'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
    text += 'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\nBA_ "VFrameFormat" BO_ 2565866750 3;\n'
    (tmp_path / "x.dbc").write_text(text)
    network = Network.load([("can0", tmp_path / "x.dbc"), ("can1", tmp_path / "x.dbc")])
    whole = frames_of(0x18F00400, True, [bytes([i] * 8) for i in range(6)])
    frames = replace(
        whole,
        channel=np.array([1, 1, 0, 1, 0, 0], np.uint8),
        channels=("can0", "can1"),
        can_id=whole.can_id + np.arange(6, dtype=np.uint32) % 3,
    )
    decoder = Decoder(network)
    decoder.add(frames)
    ((name, kept),) = decoder.arrays(counts=True).items()
    assert kept.frame()["channel"].to_list() == ["can1", "can1", "can0", "can1", "can0", "can0"]
    assert kept.frame()["source"].to_list() == [0, 1, 2, 0, 1, 2]
    for _ in range(2):  # the second time from what was read
        with PartWriter(tmp_path / "p.parquet", layout_of(network), tmp_path) as writer:
            writer.add(Chunk(LOG, name, kept))
            writer.close({})
        part = Part.open(tmp_path / "p.parquet")
        again = part.chunk(part.blocks[0]).table
        assert again.frame().equals(kept.frame())
        kept = again


def frames_of(can_id: int, extended: bool, payloads: list[bytes]) -> Frames:
    width = max(8, *(len(p) for p in payloads))
    width = 8 if width == 8 else 64
    payload = np.zeros((len(payloads), width), np.uint8)
    for i, some in enumerate(payloads):
        payload[i, : len(some)] = np.frombuffer(some, np.uint8)
    n = len(payloads)
    flags = np.full(n, 1 if extended else 0, np.uint8)
    lengths = np.array([len(p) for p in payloads], np.uint8)
    t = np.arange(n, dtype=np.int64) * 1000
    return Frames(t, np.zeros(n, np.uint8), np.full(n, can_id, np.uint32), flags, lengths, payload, ("can0",))


def test_a_part_of_another_version_says_what_to_do(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    write(bench.inbox / "a.log", day())
    monkeypatch.setattr(part_module, "VERSION", 1)
    monkeypatch.setattr("herdbook.pipeline.lake.part_writer.VERSION", 1)
    monkeypatch.setattr("herdbook.pipeline.intake.take_log.VERSION", 1)
    bench.scan()
    before = answers(bench.store, RESULTS)
    monkeypatch.undo()
    (old,) = bench.store.lake.root.rglob("*.parquet")
    with pytest.raises(DamagedPartError, match="another Herdbook") as caught:
        Part.open(old)
    assert "herdbook store redecode" in caught.value.do
    assert not redecode(bench.store, jobs=0).failed
    assert answers(bench.store, RESULTS) == before
    (part,) = bench.ask("SELECT part FROM parts")
    assert Part.open(bench.store.lake.root / part[0]).blocks
