"""Tables on their way into a part: the same whether they fit into memory or come piece by piece over the disk."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from herdbook.decoders.decoding.columns import Table, joined
from herdbook.decoders.decoding.extract import Column
from herdbook.pipeline.lake.spill import TableSpill


def table(start: int, count: int, labels: tuple[str, ...] = ("can0",)) -> Table:
    """Odd rows have no Small; the last label is the channel."""
    t = np.arange(start, start + count, dtype=np.int64)
    columns = {
        "Big": Column((t + 2**62).astype(np.int64)),
        "Small": Column(t.astype(np.float64) / 3, t % 2 == 0),
        "t": Column(t * 2),  # a signal may be called as a column of ours
    }
    channel = np.full(count, len(labels) - 1, np.uint8)
    return Table(t, columns, channel, labels, (t % 200).astype(np.uint8))


def all_of(spill: TableSpill) -> dict[str, Table]:
    """Every message whole, as it comes in tables of three rows."""
    found = {}
    for name, rows, tables in spill.messages(3):
        some = list(tables)
        assert sum(map(len, some)) == rows
        assert spill.files is None or all(len(t) == 3 for t in some[:-1])
        found[name] = joined(some)
    return found


def test_one_piece_stays_in_memory(tmp_path: Path) -> None:
    spill = TableSpill(tmp_path / "scratch")
    spill.add({"B": table(5, 3), "A": table(0, 2)})
    assert list(all_of(spill)) == ["A", "B"]
    assert not (tmp_path / "scratch").exists()
    spill.close()


def test_several_pieces_are_one_table_in_order_of_time(tmp_path: Path) -> None:
    spill = TableSpill(tmp_path / "scratch")
    spill.add({"A": table(10, 4)})
    spill.add({"A": table(0, 4), "B": table(0, 1)})
    spill.add({"A": table(4, 3, ("can0", "can1"))})  # a bus that was silent until then
    assert list((tmp_path / "scratch").iterdir())
    found = all_of(spill)
    a = found["A"]
    assert a.t.tolist() == [0, 1, 2, 3, 4, 5, 6, 10, 11, 12, 13]
    assert a.columns["Big"].values.tolist() == [t + 2**62 for t in a.t.tolist()]  # no digit lost
    valid = a.columns["Small"].valid
    assert valid is not None
    assert valid.tolist() == [t % 2 == 0 for t in a.t.tolist()]
    assert a.columns["t"].values.tolist() == [2 * t for t in a.t.tolist()]
    assert a.channel is not None
    assert [a.labels[c] for c in a.channel.tolist()] == ["can0"] * 4 + ["can1"] * 3 + ["can0"] * 4
    assert a.source is not None
    assert a.source.tolist() == a.t.tolist()
    assert found["B"].t.tolist() == [0]
    spill.close()
    assert list((tmp_path / "scratch").iterdir()) == []


def test_equal_times_stay_in_file_order(tmp_path: Path) -> None:
    spill = TableSpill(tmp_path)
    for value in (3, 1, 2):
        spill.add({"A": Table(np.array([7], np.int64), {"S": Column(np.array([value], np.int64))}, None, (), None)})
    assert all_of(spill)["A"].columns["S"].values.tolist() == [3, 1, 2]
    spill.close()


@pytest.mark.parametrize("pieces", [0, 1, 2])
def test_closing_twice_and_closing_nothing(tmp_path: Path, pieces: int) -> None:
    spill = TableSpill(tmp_path)
    for i in range(pieces):
        spill.add({"A": table(i, 1)})
    spill.close()
    spill.close()
    assert list(tmp_path.iterdir()) == []
