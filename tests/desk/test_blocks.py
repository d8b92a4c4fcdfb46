"""Blocks keep every spike and every gap, however long the record; held against the samples themselves."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.desk.blocks import BLOCK, Blocks, blocks_of, drawn, gaps_by, joined
from herdbook.pipeline.desk.levels import Levels

MS = 1000


def series(n: int, seed: int = 0) -> tuple[Times, Floats]:
    rng = np.random.default_rng(seed)
    return np.arange(n, dtype=np.int64) * 10 * MS, rng.normal(size=n)


@given(
    n=st.integers(1, 3000),
    pixels=st.integers(1, 400),
    spike=st.integers(0, 10**6),
    gaps=st.lists(st.integers(0, 10**6), max_size=6),
    holes=st.lists(st.integers(0, 10**6), max_size=6),
)
@settings(max_examples=150, deadline=None)
def test_no_spike_is_lost_and_no_gap_is_bridged(
    n: int, pixels: int, spike: int, gaps: list[int], holes: list[int]
) -> None:
    t, v = series(n)
    for at in gaps:
        t[at % n :] += 60_000_000
    v[[at % n for at in holes]] = np.nan
    v[spike % n] = 1e6
    made = blocks_of(t, v)
    shown = drawn(made, int(t[0]), int(t[-1]) + 1, pixels)
    assert shown.high.max() == 1e6
    assert shown.low.min() == np.nanmin(v)
    assert shown.n.sum() == np.isfinite(v).sum()
    good = np.flatnonzero(np.isfinite(v))
    runs = 1 + int(((np.diff(t[good]) > made.gap_us) | (np.diff(good) > 1)).sum())
    assert made.begins.sum() == runs
    assert (made.n <= BLOCK).all()
    apart = {at % n for at in [*gaps, *holes]} - {0}
    if 2 * len(apart) < n - 1:  # else no interval is the usual one, and nobody can say what a gap is
        inside = made.last - made.first  # no block reaches over a gap
        assert (inside <= 10 * MS * BLOCK).all()
    assert len(shown) <= max(2 * pixels, pixels + 2)


def test_pieces_read_one_after_the_other_are_one_run() -> None:
    t, v = series(10_000)
    whole = blocks_of(t, v)
    pieces = [
        blocks_of(t[a : a + 999], v[a : a + 999], gap_us=whole.gap_us, before=int(t[a - 1]) if a else None)
        for a in range(0, 10_000, 999)
    ]
    got = joined(pieces)
    assert got.begins.sum() == 1
    assert (got.low.min(), got.high.max(), got.n.sum()) == (v.min(), v.max(), 10_000)


def test_a_slow_log_beside_a_fast_one_is_no_row_of_gaps() -> None:
    fast, slow = np.arange(20_000, dtype=np.int64) * 20 * MS, 10**12 + np.arange(300, dtype=np.int64) * 5_000 * MS
    t = np.concatenate([fast, slow])
    spans = [(int(fast[0]), int(fast[-1])), (int(slow[0]), int(slow[-1]))]
    assert blocks_of(t, np.zeros(t.shape), size=1, gap_us=gaps_by(t, spans)).begins.sum() == 2


def test_a_window_holds_what_touches_it_and_a_block_on_each_side() -> None:
    t, v = series(10_000)
    made = blocks_of(t, v)
    cut = made.between(int(t[5000]), int(t[5001]))
    assert len(cut) == 3
    assert made.between(int(t[-1]) + 10**9, int(t[-1]) + 2 * 10**9).n.sum() <= BLOCK


@pytest.fixture
def some() -> dict[int | str, Blocks]:
    return {"": blocks_of(*series(100_000)), 7: blocks_of(*series(5_000, 1))}


def test_what_is_kept_is_read_back_and_a_torn_file_is_made_anew(some: dict[int | str, Blocks], tmp_path: Path) -> None:
    levels = Levels(tmp_path / "a", tmp_path / "b")
    levels.keep("k" * 40, some)
    [file] = (tmp_path / "a").glob("*/*")
    got = Levels(tmp_path / "a", tmp_path / "b").find("k" * 40)
    assert got is not None
    for item, blocks in some.items():
        for name in ("first", "last", "low", "high", "n", "begins"):
            assert np.array_equal(getattr(got[item], name), getattr(blocks, name))
    file.write_bytes(file.read_bytes()[:-100])
    assert Levels(tmp_path / "a", tmp_path / "b").find("k" * 40) is None


def test_the_folder_stays_within_its_bound(some: dict[int | str, Blocks], tmp_path: Path) -> None:
    levels = Levels(tmp_path / "a", tmp_path / "b", most=60_000)
    for k in range(6):
        levels.keep(f"{k:040d}", some)
        time.sleep(0.01)  # the older one goes first: their times must differ
    levels.make_room()
    left = sorted(p.name for p in (tmp_path / "a").glob("*/*"))
    assert sum(p.stat().st_size for p in (tmp_path / "a").glob("*/*")) <= 60_000
    assert f"{5:040d}" in left


def test_without_a_folder_to_write_memory_serves(some: dict[int | str, Blocks], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    levels = Levels(tmp_path / "file" / "a", tmp_path / "file" / "b")
    levels.keep("k", some)
    assert levels.find("k") is not None
